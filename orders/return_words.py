"""A group's own entries in the lists of the return visit: what clients say, causes, what is done.

Built-in entries stay. Own ones are added, renamed and retired; their code never changes, so that what was recorded keeps its meaning. An
own outcome works as one of the built-in ones (what happens to the order follows from that); a complaint may be like a built-in one, and
is then explained like it.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from orders.models import ReturnVisit
from orders.models_learning import ReturnWord
from orders.receive import words as line_of_words
from orders.returns.words import CAUSES, COMPLAINTS
from practice import access, audit
from practice.errors import Conflict, Invalid, Refused
from practice.models import Branch, Group, Staff

Kind = ReturnWord.Kind
LONGEST, MOST = 60, 60  # of one entry; of a group's own entries in one list
OUTCOMES: dict[str, str] = {str(v): str(w) for v, w in ReturnVisit.Outcome.choices if v}
BUILT_IN: dict[str, dict[str, str]] = {Kind.COMPLAINT: COMPLAINTS, Kind.CAUSE: CAUSES, Kind.OUTCOME: OUTCOMES}


@dataclass(frozen=True)
class Lists:
    """The lists of one group: every code with its words, and the codes that may be chosen now."""

    words: dict[str, dict[str, str]]  # by kind
    choose: dict[str, tuple[str, ...]]
    like: dict[str, dict[str, str]]  # own code: the built-in one it works as

    def said(self, kind: str, code: str) -> str:
        return self.words[kind].get(code, code)

    def choices(self, kind: str) -> list[tuple[str, str]]:
        return [(code, self.words[kind][code]) for code in self.choose[kind]]


def lists_of(group: Group | int) -> Lists:
    own = list(ReturnWord.objects.filter(group=group))
    return Lists(
        words={k: {**b, **{w.code: w.text for w in own if w.kind == k}} for k, b in BUILT_IN.items()},
        choose={k: (*b, *(w.code for w in own if w.kind == k and w.retired_at is None)) for k, b in BUILT_IN.items()},
        like={k: {w.code: w.like for w in own if w.kind == k} for k in BUILT_IN},
    )


@transaction.atomic
def add_word(*, actor: Staff, branch: Branch, kind: str, text: str, like: str = "") -> ReturnWord:
    """One more entry. Raises NotAllowed, Refused (list full) or Invalid ("text", "like")."""
    access.require(actor, "catalogue.change", branch=branch)
    if kind not in BUILT_IN:
        raise Invalid({"text": "There is no such list."})
    group = Group.objects.select_for_update().get(pk=branch.group_id)
    errors: dict[str, str] = {}
    said = _text(group, kind, text, errors)
    if like and like not in BUILT_IN[kind]:
        errors["like"] = "Choose one of the list."
    if kind == Kind.OUTCOME and not like:
        errors["like"] = "Say which of the built-in ones it works as: what happens to the order follows from that."
    if kind == Kind.CAUSE:
        like = ""
    if errors:
        raise Invalid(errors)
    own = ReturnWord.objects.filter(group=group, kind=kind)
    if own.count() >= MOST:
        raise Refused(f"A list has at most {MOST} own entries. Rename one that is no longer used.")
    word = ReturnWord.objects.create(
        group=group, kind=kind, code=_code(said, {*BUILT_IN[kind], *own.values_list("code", flat=True)}), text=said, like=like,
        added_at=timezone.now(), added_by=actor,
    )  # fmt: skip
    _told(actor, branch, "added", word, {}, {"kind": kind, "code": word.code, "text": said, "like": like})
    return word


@transaction.atomic
def rename_word(*, actor: Staff, branch: Branch, word: ReturnWord, text: str) -> ReturnWord:
    """Other words for the same entry, in old records too. Raises NotAllowed or Invalid ("text")."""
    access.require(actor, "catalogue.change", branch=branch)
    group = Group.objects.select_for_update().get(pk=branch.group_id)
    row = ReturnWord.objects.select_for_update().get(pk=word.pk, group=group)
    errors: dict[str, str] = {}
    said = _text(group, row.kind, text, errors, but=row.pk)
    if errors:
        raise Invalid(errors)
    before, row.text = row.text, said
    row.save(update_fields=["text"])
    _told(actor, branch, "renamed", row, {"text": before}, {"text": said})
    return row


@transaction.atomic
def retire_word(*, actor: Staff, branch: Branch, word: ReturnWord, back: bool = False) -> ReturnWord:
    """No longer to be chosen (`back`: to be chosen again). Raises NotAllowed or Conflict (it is so already)."""
    access.require(actor, "catalogue.change", branch=branch)
    row = ReturnWord.objects.select_for_update().get(pk=word.pk, group=branch.group_id)
    if (row.retired_at is None) is back:
        raise Conflict("Somebody has changed this entry since you looked. Look again.")
    row.retired_at = None if back else timezone.now()
    row.save(update_fields=["retired_at"])
    _told(actor, branch, "brought_back" if back else "retired", row, {"retired": back}, {"retired": not back})
    return row


def _text(group: Group, kind: str, text: str, errors: dict[str, str], but: int = 0) -> str:
    try:
        said = line_of_words(text, least=2, most=LONGEST)
    except ValueError as problem:
        errors["text"] = str(problem)
        return ""
    own = ReturnWord.objects.filter(group=group, kind=kind).exclude(pk=but).values_list("text", flat=True)
    if said.casefold() in {t.casefold() for t in (*BUILT_IN[kind].values(), *own)}:
        errors["text"] = "This list has an entry of that name."
    return said


def _code(text: str, taken: set[str]) -> str:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    stem = "own_" + (re.sub(r"[^a-z0-9]+", "_", plain).strip("_")[:22] or "entry")
    code, n = stem, 1
    while code in taken:
        n += 1
        code = f"{stem}_{n}"
    return code


def _told(
    actor: Staff, branch: Branch, deed: str, word: ReturnWord, before: dict[str, object], after: dict[str, object]
) -> None:
    audit.record(
        actor=actor, action=f"return_word.{deed}", subject=f"return word {word.code}", group=branch.group, branch=branch,
        before=before, after=after,
    )  # fmt: skip
