"""The people of a fifty-branch group, and a few hundred pairs made through the use cases, that `big_group` multiplies.

Every template goes as far as a pair can go: measured, signed or answered for, issued, made, checked, collected, and back once for an
adjustment. A copy then keeps as much of that as its own state has reached.
"""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal as D
from typing import Any

from django.contrib.auth.hashers import make_password
from django.db import transaction

from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, LensOption, Treatment
from orders import collect, receive, return_visit
from orders.demo import after, catalogue, scenario
from orders.handover.gather import person_of
from orders.handover.points import FIT, advice_for, cautions_for
from orders.models import Lab, Order
from orders.receipt.points import points_for
from practice.models import Branch, Client, Group, Post, Staff

GROUP = "Fifty branches"
PASSWORD = "heron over saltmarsh"
BRANCHES = 50
KINDS = ("child", "adult", "presbyope")
BORN = {"child": (2014, 2019), "adult": (1984, 2006), "presbyope": (1942, 1978)}  # years of birth
SIDES = ("right", "left")

_PLACES_A = ["Alder", "Birch", "Cove", "Dune", "Ebb", "Fern", "Gull", "Heath", "Inlet", "Juniper"]
_PLACES_B = ["mouth", "gate", "quay", "ford", "stead"]
_FIRST = [
    "Ada",
    "Bram",
    "Cleo",
    "Dov",
    "Edda",
    "Falk",
    "Gwen",
    "Hale",
    "Iris",
    "Joss",
    "Kari",
    "Lio",
    "Mara",
    "Nils",
    "Orla",
    "Pim",
    "Runa",
    "Sten",
    "Tove",
    "Una",
]
_LAST = [
    "Aldermoor",
    "Birkett-Vane",
    "Corrane",
    "Drossel",
    "Elphin",
    "Farrow-Lund",
    "Garrick",
    "Holmsund",
    "Isbister",
    "Jarnwood",
    "Kestle",
    "Lorne",
]


@dataclass(slots=True)
class Team:
    """Who works at one branch."""

    branch: Branch
    manager: Staff
    supervisors: list[Staff]
    dispensers: list[Staff]
    trainee: Staff


@dataclass(slots=True)
class People:
    group: Group
    teams: list[Team]
    labs: list[Lab]
    password: str = PASSWORD
    frames: list[CatalogueFrame] = field(default_factory=list)
    options: dict[str, list[LensOption]] = field(default_factory=dict)


def make_people() -> People:
    """Fifty branches, six people at each, five labs, and the catalogues of the demo."""
    encoded = make_password(PASSWORD)  # once: a strong hash is slow on purpose
    group = Group.objects.create(name=GROUP)
    names = [a + b for a in _PLACES_A for b in _PLACES_B]
    branches = Branch.objects.bulk_create(
        Branch(group=group, name=names[i], code=f"{names[i][0]}{i:02d}", address=f"{i + 1} Ropewalk\n{names[i]}")
        for i in range(BRANCHES)
    )
    roles = ("manager", "supervisor", "supervisor", "dispenser", "dispenser", "trainee")
    rng = random.Random(7)
    staff = Staff.objects.bulk_create(
        Staff(
            group=group,
            username=f"{role[0]}{b:02d}{k}",
            first_name=rng.choice(_FIRST),
            last_name=f"{rng.choice(_LAST)} {chr(65 + b % 26)}{b:02d}{k}",
            registration_number="" if role == "trainee" else f"R-{b:02d}{k}",
            password=encoded,
        )
        for b in range(BRANCHES)
        for k, role in enumerate(roles)
    )
    teams, posts = [], []
    for b, branch in enumerate(branches):
        six = staff[b * 6 : b * 6 + 6]
        for person, role in zip(six, roles, strict=True):
            posts.append(Post(staff=person, branch=branch, role=role, supervisor=six[1] if role == "trainee" else None))
        teams.append(Team(branch, six[0], six[1:3], six[3:5], six[5]))
    Post.objects.bulk_create(posts)
    labs = Lab.objects.bulk_create(
        Lab(group=group, code=f"LAB{n}", name=f"{name} Surfacing", address=f"Unit {n}, Kelp Lane")
        for n, name in enumerate(["Tideglass", "Northgrain", "Corbel", "Whinstone", "Sandbar"], start=1)
    )
    catalogue.load_catalogues(group)
    people = People(group, teams, labs)
    people.frames = list(CatalogueFrame.objects.filter(group=group).order_by("pk"))
    single, progressive = CatalogueLens.Family.SINGLE, CatalogueLens.Family.PROGRESSIVE
    for family in (single, progressive):
        people.options[family] = list(
            LensOption.objects.filter(lens__group=group, lens__family=family)
            .select_related("lens", "material")
            .order_by("pk")
        )
    return people


class _AnyReason(dict[str, str]):
    """Every finding that asks for a reason gets one."""

    def get(self, key: str, default: Any = None) -> Any:
        return "Looked at again with the client, and right."


def make_pairs(people: People, count: int, seed: int = 5) -> dict[str, list[Order]]:
    """`count` pairs through the use cases, by kind of client, each collected and back once. What the checks stop is drawn anew."""
    rng = random.Random(seed)
    stage_frames = {f.code: f for f in people.frames}
    options = {(o.lens.code, o.material.code): o for each in people.options.values() for o in each}
    treatments = {t.code: t for t in Treatment.objects.filter(group=people.group)}
    made: dict[str, list[Order]] = {kind: [] for kind in KINDS}
    tries = 0
    while sum(map(len, made.values())) < count:
        tries += 1
        if tries > count * 6:
            raise RuntimeError(f"too few pairs pass the checks: { ({k: len(v) for k, v in made.items()}) } of {count}")
        done = sum(map(len, made.values()))
        kind = KINDS[done % 3]
        team = people.teams[done % len(people.teams)]
        try:
            with transaction.atomic():
                made[kind].append(_pair(rng, kind, team, people, stage_frames, options, treatments))
        except scenario.Unplayable:
            raise
        except Exception as problem:  # a draw that cannot be made: refused by the use cases, as it should be
            if tries == count * 6:
                raise RuntimeError(str(problem)) from problem
    return made


def _pair(
    rng: random.Random,
    kind: str,
    team: Team,
    people: People,
    frames: Mapping[str, CatalogueFrame],
    options: Mapping[tuple[str, str], LensOption],
    treatments: Mapping[str, Treatment],
) -> Order:
    low, high = BORN[kind]
    client = Client.objects.create(
        group=people.group,
        branch=team.branch,
        given_name=rng.choice(_FIRST),
        family_name=rng.choice(_LAST),
        date_of_birth=date(rng.randint(low, high), rng.randint(1, 12), rng.randint(1, 28)),
    )
    trainee = rng.random() < 0.25
    actor = team.trainee if trainee else team.dispensers[rng.randrange(2)]
    entry = _entry(rng, kind, team, people) | {"by": actor.username}
    if trainee:
        entry |= {"signer": team.supervisors[0].username, "comment": "Heights are good."}
    everybody = {s.username: s for s in (team.manager, *team.supervisors, *team.dispensers, team.trainee)}
    stage = scenario.Stage(
        people.group,
        {team.branch.code: team.branch},
        everybody,
        {lab.code: lab for lab in people.labs},
        {"1": client},
        people.password,
    )
    dispense: Dispense = scenario._recorded(entry, stage, frames, options, treatments)
    dispense = scenario._taken_on(entry, dispense, stage)
    order = Order.objects.get(dispense=dispense)
    _after(rng, order, team.dispensers[0])
    return order


def _after(rng: random.Random, order: Order, actor: Staff) -> None:
    """Measured on arrival, passed, handed over, back and adjusted."""
    document = json.loads(order.document)
    off = {f"{side}.{name}": rng.randint(1, 5) / 100 for side in SIDES for name in ("sphere", "prism_in", "prism_up")}
    typed = after.readings(document, off)
    for side in SIDES:
        centration = document["lenses"][side]["centration"]
        for name, value in (("pd", centration["far_pd"]), ("height", centration["height"])):
            if value is not None:
                typed[f"{side}.{name}"] = str(D(value) + D(rng.randint(0, 1)) / 2)
    check = receive.record_receipt(
        actor=actor,
        order=order,
        typed=typed,
        points=[p.code for p in points_for(document, statement=order.branch.impact_statement)],
    )
    receive.pass_pair(actor=actor, check=check)
    order = Order.objects.get(pk=order.pk)
    person = person_of(order)
    collect.record_collection(
        actor=actor,
        order=order,
        fit_points=[p.code for p in FIT],
        marks="none",
        acuity={"right": "6/6", "left": "6/6", "both": "6/5"},
        advice=[a.code for a in advice_for(document, person)],
        cautions=[c.code for c in cautions_for(document, person)],
    )
    visit = return_visit.record_visit(
        actor=actor,
        order=Order.objects.get(pk=order.pk),
        complaints=rng.sample(["far_blurred", "near_blurred", "swim", "slides", "reflections"], 2),
        said="It is not as it was.",
        typed={"right.pd": "31.5", "left.pd": "32", "vertex": "14"},
    )
    return_visit.decide_visit(actor=actor, visit=visit, outcome="adjust", cause="fit", note="Sides bent anew.")


def _entry(rng: random.Random, kind: str, team: Team, people: People) -> dict[str, Any]:
    """One dispense in the words of the demo's scenario."""
    reads = kind == "presbyope"
    fitting = [
        f
        for f in people.frames
        if f.mount == "full_rim" and f.child == (kind == "child") and (f.b or 0) >= (36 if reads else 26)
    ]
    frame = rng.choice(fitting or people.frames)
    option = rng.choice([o for o in people.options["progressive" if reads else "single_vision"] if not o.material.glass])
    sphere = D(rng.randint(-16, 12)) / 4
    eyes = {}
    for side in SIDES:
        rx: dict[str, Any] = {"sphere": sphere + D(rng.randint(-2, 2)) / 4}
        if rng.random() < 0.6:
            rx |= {"cylinder": -D(rng.randint(1, 5)) / 4, "axis": D(5 * rng.randint(1, 36))}
        if reads:
            rx["add"] = D(2)
        eyes[side] = rx
    if reads:
        add = D(rng.randint(4, 10)) / 4
        for rx in eyes.values():
            rx["add"] = add
    narrow = D(-3) if kind == "child" else D(0)
    readings: list[list[Any]] = []
    height = (frame.b or D(36)) / 2 + D(rng.randint(6, 9)) / 2
    for side in SIDES:
        pd = D("31.5") + narrow + D(rng.randint(-3, 3)) / 2
        for off in (D(0), D("0.5")):
            readings.append(["far_pd", side, pd + off, rng.choice(["pupillometer", "rule"]) if off else "pupillometer"])
            readings.append(["height", side, height, "levelled_gauge", "box"])
    lens = {"design": option.lens.code, "material": option.material.code, "coating": rng.choice(["HC", "AR"])}
    return {
        "client": "1",
        "branch": team.branch.code,
        "stage": "dispatched",
        "needs": {"uses": ["all_round"], "working_distance_mm": D(400)},
        "rx": {**eyes, "days_ago": 6, "read_back": True, "prescriber": "Dr Ida Vane", "vertex_mm": D(12)},
        "frame": frame.code,
        "fit": {"adjusted": ["level"], "vertex_mm": D("12.5"), "pantoscopic_deg": D(8), "face_form_deg": D(5)},
        "readings": readings,
        "lens": lens,
        "reasons": _AnyReason(),
        "lab": rng.choice(people.labs).code,
    }
