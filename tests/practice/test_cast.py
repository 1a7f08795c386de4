def test_the_cast_stands_in_two_groups(cast):
    assert cast.branch.group_id != cast.foreign_branch.group_id
    assert cast.trainee.posts.get().supervisor == cast.supervisor
