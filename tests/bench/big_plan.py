"""What `big_group` multiplies by: invented people, and for every dispense when, where, by whom, for whom and how far it has come.

The work in hand is the same at every size (`IN_HAND` dispenses of the last two weeks, 80 a branch): what differs between a database of
10,000 dispenses and one of 1,000,000 is the archive behind it, `YEARS` years of it.
"""

from __future__ import annotations

import random
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

IN_HAND = 4000
YEARS = 4
ORDER_LEVELS = ("issued", "acknowledged", "in_work", "dispatched", "received", "passed", "collected")
COLLECTED, RETURNED = 6, 7  # level 7: back once, so the events of a return visit belong to it
_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_OUTCOMES = (("adjust", 45), ("remake", 32), ("adapt", 10), ("refer", 5), ("nothing", 8))
_CAUSES = (
    ("measurement", 22),
    ("fit", 28),
    ("design", 8),
    ("prescription", 14),
    ("entry", 4),
    ("making", 10),
    ("adaptation", 8),
    ("unknown", 6),
)
_GIVEN_A = [
    "Al",
    "Bre",
    "Ca",
    "Do",
    "El",
    "Fa",
    "Gi",
    "Ha",
    "Is",
    "Jo",
    "Ka",
    "Lu",
    "Ma",
    "Ni",
    "Ol",
    "Pe",
    "Ra",
    "Si",
    "Ta",
    "Vi",
]
_GIVEN_B = ["dan", "lia", "mir", "na", "ren", "sa", "tho", "vin", "wen", "xis", "ya", "zel", "bert", "cée"]
_FAMILY_A = [
    "Ash",
    "Birch",
    "Cald",
    "Dun",
    "Elm",
    "Fen",
    "Garn",
    "Holm",
    "Isk",
    "Kest",
    "Lark",
    "Marl",
    "Nor",
    "Oak",
    "Pell",
    "Quar",
    "Row",
    "Stan",
    "Thorn",
    "Und",
    "Vael",
    "Wex",
    "Yarr",
    "Zell",
]
_FAMILY_B = [
    "acre",
    "beck",
    "combe",
    "dale",
    "ember",
    "field",
    "grove",
    "hurst",
    "ing",
    "lock",
    "mere",
    "ney",
    "oak",
    "path",
    "ridge",
    "shaw",
    "thwaite",
    "vane",
    "wick",
    "yard",
]


def reference(prefix: str, number: int) -> str:
    """A reference of the usual form; different numbers below 30^7 give different ones, neighbours look nothing alike."""
    left = number * 1_000_003 % 30**7  # prime to 30
    letters = []
    for _ in range(7):
        left, digit = divmod(left, 30)
        letters.append(_ALPHABET[digit])
    return f"{prefix}-{''.join(letters)}"


def plain(text: str) -> str:
    """As `practice.words.fold` does for these names, which are Latin letters, hyphens and one accent."""
    text = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in text if not unicodedata.combining(c)).replace("-", " ")


@dataclass(frozen=True, slots=True)
class Person:
    given: str
    family: str
    kind: str
    born: date
    phone: str


def person(number: int) -> Person:
    """Client `number`: some names are common, most are rare; one family name in six is double."""
    rng = random.Random(number)
    skew = rng.random() ** 2
    family = _FAMILY_A[int(skew * len(_FAMILY_A))] + _FAMILY_B[int(rng.random() * len(_FAMILY_B))]
    if rng.random() < 0.5:
        family = family[:-1] + rng.choice("aeiouy") + rng.choice(["rd", "n", "ston", "well", "ham", "by"])
    if rng.random() < 1 / 6:
        family += "-" + rng.choice(_FAMILY_A) + rng.choice(_FAMILY_B)
    given = rng.choice(_GIVEN_A) + rng.choice(_GIVEN_B) + (rng.choice(["", "", "a", "e", "o"]))
    chance = rng.random()
    kind = "child" if chance < 0.10 else "adult" if chance < 0.48 else "presbyope"
    low, high = {"child": (2011, 2019), "adult": (1982, 2006), "presbyope": (1936, 1981)}[kind]
    born = date(low, 1, 1) + timedelta(days=rng.randrange((high - low + 1) * 365))
    return Person(given, family, kind, born, f"01632 9{rng.randrange(10**5):05d}")


@dataclass(slots=True)
class Made:
    """One dispense of the plan."""

    i: int  # 1 is the oldest
    client: int  # its number, from 0
    earlier: int  # an earlier dispense of theirs; 0: none
    created: datetime
    state: str
    level: int = -1  # of its order (ORDER_LEVELS); -1: no order
    rejected: bool = False  # a finished pair went back once
    again: bool = False  # the first order was made again
    back: str = ""  # outcome of the return visit
    cause: str = ""
    questions: int = 0
    cancelled_order: bool = False
    pace: float = 1.0  # how fast everything went; 1 is usual
    dice: float = 0.0  # for whatever else is drawn


def plan(count: int, clients: int, now: datetime, seed: int = 11) -> Iterator[Made]:
    """`count` dispenses, the oldest first."""
    rng = random.Random(seed)
    in_hand = min(IN_HAND, count * 4 // 10)
    old = count - in_hand
    start, end = now - timedelta(days=365 * YEARS), now - timedelta(days=60)
    for i in range(1, count + 1):
        number = (i - 1) % clients
        earlier = i - clients if i > clients else 0
        made = Made(i, number, earlier, now, "collected", pace=0.6 + rng.random(), dice=rng.random())
        if i <= old:
            day = start + (end - start) * (i / old)
            morning = day.replace(hour=9, minute=0, second=0, microsecond=0)
            made.created = morning + (day - day.replace(hour=0, minute=0, second=0, microsecond=0)) * (9 / 24)
            _long_ago(made, rng)
        else:
            share = (i - old) / (in_hand + 1)
            made.created = now - timedelta(days=15) * (1 - share) - timedelta(minutes=5)
            _in_hand(made, share, rng)
        yield made


def _pick(rng: random.Random, choices: tuple[tuple[str, int], ...]) -> str:
    return rng.choices([c for c, _ in choices], [w for _, w in choices])[0]


def _long_ago(made: Made, rng: random.Random) -> None:
    if rng.random() < 0.046:
        made.state = "cancelled"
        return
    made.level = COLLECTED
    made.rejected = rng.random() < 0.022
    if rng.random() < 0.035:
        made.level, made.back, made.cause = RETURNED, _pick(rng, _OUTCOMES), _pick(rng, _CAUSES)
        made.again = made.back == "remake"


def _in_hand(made: Made, share: float, rng: random.Random) -> None:
    """From the oldest of the fortnight, which wait to be collected, to what was begun an hour ago."""
    chance = rng.random()
    if share < 0.30:
        made.level = 5 if chance < 0.5 else COLLECTED
    elif share < 0.42:
        made.level = 4 if chance < 0.4 else 3
    elif share < 0.76:
        made.level = 2
    elif share < 0.88:
        made.level = 1
    elif chance < 0.5:
        made.level = 0
    else:
        made.state = ("open", "open", "waiting", "signed", "returned")[rng.randrange(5)]
        return
    made.state = "collected" if made.level == COLLECTED else "ordered"
    made.questions = int(made.level in (1, 2) and rng.random() < 0.03)
    made.cancelled_order = made.level == 1 and rng.random() < 0.02
