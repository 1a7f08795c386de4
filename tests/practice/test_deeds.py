"""Every action that the code records has plain words, found in the code itself; and the page of the trail finds it by either."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.urls import reverse

from orders import lab_progress
from practice import audit, deeds

ROOT = Path(deeds.__file__).parent.parent
# Actions put together while running: each pattern of the code with all it can become.
FAMILIES = {
    "catalogue.{}_{}": {f"catalogue.{k}_{d}" for k in ("frame", "lens", "treatment") for d in ("retired", "brought_back")}
    | {f"catalogue.{k}_{d}" for k in ("material", "treatment") for d in ("added", "changed")},
    "catalogue.option_{}": {"catalogue.option_retired", "catalogue.option_brought_back"},
    "dispense.{}": {"dispense.put_forward", "dispense.signed", "dispense.returned"},
    "order.{}_printed": {"order.sheets_printed", "order.labels_printed"},
    "order.{}": {
        "order.acknowledged", "order.cancellation_seen", "order.rejection_seen", "order.in_work", "order.dispatched", "order.promised",
        "order.cannot_make", "order.question", "order.sheet_fetched",
    },
    "receipt.{}": {"receipt.passed", "receipt.accepted", "receipt.rejected"},
    "return_word.{}": {f"return_word.{d}" for d in ("added", "renamed", "retired", "brought_back")},
}  # fmt: skip
ACTION = re.compile(r"[a-z_]+\.[a-z_]+")
NOT_RECORDED = {"may", "require", "why_not", "branches_where"}  # of these `action` is a permission


def trees() -> Iterator[ast.Module]:
    for app in ("practice", "dispensing", "orders", "deploy"):
        for path in (ROOT / app).rglob("*.py"):
            yield ast.parse(path.read_text())


def name_of(call: ast.Call) -> str:
    return getattr(call.func, "attr", getattr(call.func, "id", ""))


def said_by(node: ast.expr, around: ast.AST) -> Iterator[str]:
    """The actions, or patterns of actions, that an expression can be; nothing for a parameter handed on."""
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str) and ACTION.fullmatch(node.value):
            yield node.value
    elif isinstance(node, ast.JoinedStr):
        yield "".join(str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values)
    elif isinstance(node, ast.IfExp):
        yield from said_by(node.body, around)
        yield from said_by(node.orelse, around)
    elif isinstance(node, ast.Call):  # next((f"…" for …), f"…")
        for inner in ast.walk(node):
            if isinstance(inner, ast.JoinedStr):
                yield from said_by(inner, around)
    elif isinstance(node, ast.Name):
        for assigned in ast.walk(around):
            if isinstance(assigned, ast.Assign) and any(getattr(t, "id", "") == node.id for t in assigned.targets):
                yield from said_by(assigned.value, around)


def recorded() -> set[str]:
    """What is given as `action` to anything that takes one: by its name, or where it stands among the arguments."""
    found: set[str] = set()
    modules = list(trees())
    for module in modules:
        places = {
            f.name: [a.arg for a in f.args.args].index("action")
            for f in ast.walk(module)
            if isinstance(f, ast.FunctionDef) and "action" in [a.arg for a in f.args.args]
        }
        functions = [f for f in ast.walk(module) if isinstance(f, ast.FunctionDef)]
        for call in (n for n in ast.walk(module) if isinstance(n, ast.Call)):
            name = name_of(call)
            if name in NOT_RECORDED or (name == "add_argument"):
                continue
            given = [k.value for k in call.keywords if k.arg == "action"]
            if name in places and len(call.args) > places[name]:
                given.append(call.args[places[name]])
            inside = next((f for f in reversed(functions) if f.lineno <= call.lineno <= (f.end_lineno or 0)), module)
            for node in given:
                said = set(said_by(node, inside)) or set(said_by(node, module))
                found |= said
    return found


def test_every_action_that_is_recorded_has_words():
    found = recorded()
    patterns = {a for a in found if "{}" in a}
    assert patterns == set(FAMILIES), "an action is put together in a new way: name all it can become"
    actions = {a for a in found if "{}" not in a} | set().union(*FAMILIES.values())
    assert len(actions) > 100
    assert actions - deeds.known() == set(), "no words for these: practice/deeds.py, dispensing/deeds.py, orders/deeds.py"
    assert deeds.known() - actions == set(), "words for what is never recorded"


def test_what_a_lab_can_do_with_an_order_is_in_the_family():
    """The third argument of what writes a lab's deed; a state that is not written out is one of those a lab works through."""
    module = ast.parse((ROOT / "orders" / "lab_progress.py").read_text())
    calls = [n for n in ast.walk(module) if isinstance(n, ast.Call) and name_of(n) in {"_write", "_many_seen"}]
    kinds = {a.value for c in calls if isinstance(a := c.args[2], ast.Constant)} | set(lab_progress.FORWARD[1:])
    assert len(kinds) > 6
    assert {f"order.{kind}" for kind in kinds} <= FAMILIES["order.{}"]


def test_words_are_plain_and_each_is_of_one_action():
    said = [deeds.words_of(a) for a in deeds.known()]
    assert len(set(said)) == len(said)
    for words in said:
        assert words[0].isupper(), words
        assert not re.search(r"[._]", words), words
    assert sorted(a for actions in deeds.areas().values() for a in actions) == sorted(deeds.known())


def test_an_action_of_before_is_shown_as_it_was_recorded():
    assert deeds.words_of("thing.long_gone") == "thing: long gone"


@pytest.fixture
def web(client, cast):
    client.force_login(cast.manager)
    return client


def test_the_trail_is_found_by_words_by_name_and_by_part_of_the_work(web, cast):
    for action, subject in (
        ("dispense.signed", "dispense D-9"),
        ("lab.changed", "lab TIDE"),
        ("order.issued", "order SM-1"),
    ):
        audit.record(actor=cast.manager, action=action, subject=subject, group=cast.group, branch=cast.branch)

    def found(**asked):
        return [line.event.action for line in web.get(reverse("practice:audit"), asked).context["lines"]]

    assert found() == ["order.issued", "lab.changed", "dispense.signed"]
    assert found(what="Order ISSUED") == ["order.issued"]
    assert found(what="dispense.signed") == ["dispense.signed"]
    assert found(what="tide") == ["lab.changed"]
    assert found(area="Labs") == ["lab.changed"]
    assert found(area="Labs", what="issued") == []
    assert found(area="no such part") == found()
    page = web.get(reverse("practice:audit")).content.decode()
    assert "Order issued" in page
    assert "order.issued" in page, "the name in the trail stays to be seen"
