"""Questions of a lab: about something that the order has, in characters that stay as they stand, answered once."""

from __future__ import annotations

import pytest

from orders.lab_progress import answer_question
from orders.models import Question
from practice.errors import Refused
from tests.orders.test_lab_api import problem


@pytest.mark.parametrize(
    ("field", "there"),
    [
        ("lenses.right.ordered.axis", True),
        ("frame", True),
        ("reasons[99]", False),
        ("lens.desing", False),
        ("lenses.right.ordered.axis.x", False),
        ("", True),
        ("frame.outline.radii[7]", True),
        ("frame.outline.radii[99999999999]", False),
    ],
)
def test_a_question_is_about_something_in_the_order(door, make_order, field, there):
    """Else the branch reads of a value that it cannot find."""
    order = make_order()
    answer = door.post(f"orders/{order.number}/questions", {"text": "Is that so?", "field": field})
    if there:
        assert answer.status_code == 200
    else:
        assert [e["pointer"] for e in problem(answer, 422, "invalid")["errors"]] == ["/field"]
        assert not Question.objects.exists()


def test_two_who_answer_at_once_are_told_what_the_lab_has_read(cast, door, make_order):
    order = make_order()
    door.post(f"orders/{order.number}/questions", {"text": "Axis 80 or 08?"})
    question = Question.objects.get()
    answer_question(actor=cast.dispenser, question=question, text="80.")
    with pytest.raises(Refused, match=f"{cast.dispenser.display_name} has answered .*“80.”.* yours was not sent"):
        answer_question(actor=cast.supervisor, question=question, text="8.")


@pytest.mark.parametrize("turned", ["\u202e", "\u202d"])
def test_characters_that_turn_figures_round_are_refused(door, make_order, turned):
    answer = door.post(f"orders/{make_order().number}/questions", {"text": f"Axis {turned}59?"})
    assert [e["pointer"] for e in problem(answer, 422, "invalid")["errors"]] == ["/text"]
    assert not Question.objects.exists()
