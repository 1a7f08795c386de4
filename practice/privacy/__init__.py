"""What is held on a client: handed over when they ask for it, kept as long as the branch's law demands, then forgotten.

registry    what each app holds, contributed by the apps themselves (this floor knows none of them)
export      everything on one client as JSON, on paper and with the pictures
paper       the same on paper
retention   until when it is kept, and who is due
erase       forgetting one client, or all who are due
consent     what a client has agreed to
"""
