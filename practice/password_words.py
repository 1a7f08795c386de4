"""Words nobody here may lean on for a password: those of the trade, of this site, of one's own group and branches."""

from __future__ import annotations

import re
from typing import Any

from django.core.exceptions import ValidationError

from practice import access
from practice.words import fold

# what somebody guessing at an optician's would try first
HOUSE = frozenset(
    [
        "datumline",
        "optician",
        "opticians",
        "optical",
        "optics",
        "spectacles",
        "spectacle",
        "glasses",
        "dispensing",
        "dispenser",
        "lens",
        "lenses",
        "frame",
        "frames",
        "password",
        "passwort",
        "welcome",
        "trainee",
        "manager",
        "supervisor",
        "progressive",
        "bifocal",
        "sphere",
        "cylinder",
    ]
)
LEFT_OVER = 8  # characters beside those words


class NotOfTheHouse:
    """Refuses a password that has fewer than LEFT_OVER letters and figures besides such words."""

    def validate(self, password: str, user: Any = None) -> None:
        rest = re.sub(r"[\W_]+", "", fold(password))
        for word in sorted(HOUSE | _places(user), key=len, reverse=True):
            rest = rest.replace(word, "")
        if len(rest) < LEFT_OVER:
            raise ValidationError("Mostly words that anybody would try here: of the trade, the site or the branch.")

    def get_help_text(self) -> str:
        return "Not made of words of the trade, the site or the branch."


def _places(user: Any) -> set[str]:
    if user is None or not getattr(user, "pk", None):
        return set()
    names = [name for post in access.posts_of(user) for name in (post.branch.name, post.branch.group.name)]
    return {word for name in names for word in re.findall(r"\w{4,}", fold(name))}
