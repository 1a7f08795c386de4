"""Frames ranked for this prescription, face and lens: filtered by links, sorted, and one of them chosen."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import groupby
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils.safestring import SafeString
from django.views.decorators.http import require_safe

from dispensing import gather, record
from dispensing.case import SEGMENTED, Adopted, Case, Frame, LensChoice
from dispensing.catalogue import on_sale
from dispensing.checks.words import mm
from dispensing.compare import Face, FrameItem, FrameRow, face_of, rank_frames
from dispensing.compare.frames import PUPIL_ABOVE_DATUM_MM, why
from dispensing.compare.lenses import lens_findings
from dispensing.drawings.front import front_with_eyes
from dispensing.figures import Figures, compute_many
from dispensing.figures.place import read_front
from dispensing.figures.usual import Notes
from dispensing.models import CatalogueFrame, Dispense, FrameStock, LensOption
from dispensing.record import frame_to_store
from dispensing.templatetags import drawings
from dispensing.web.compare.load import Opened, can_be_had, choice_of, number, opened, query, said_of_all, two, usual_family
from dispensing.web.sheet.present import frame_words, prescription_words

A_PAGE = 18
ADULT_FROM = 16
USUAL_INDEX = 1.6
_SORTS: dict[str, tuple[str, Callable[[FrameRow], float | None]]] = {
    "rank": ("rank", lambda r: None),
    "decentration": ("decentration", lambda r: r.mean_decentration),
    "thickness": ("thickness", lambda r: r.thickest),
    "depth": ("height to spare", lambda r: None if r.height_margin is None else -r.height_margin),
    "blank": ("blank", lambda r: r.blank_needed),
}
_TIERS = {"fits": ("ok", "fits"), "ask": ("confirm", "needs a reason"), "no": ("stop", "does not fit")}
# said already by the rank itself
_SAID = frozenset(
    {"lens.height-under-minimum", "lens.room-above", "lens.blank-too-small", "material.drilled", "material.grooved"}
)


@dataclass(frozen=True, slots=True)
class State:
    mount: str = ""
    whom: str = ""
    order: str = "rank"
    lens: str = ""
    where: str = (
        ""  # here: in stock at the dispense's branch; any: the whole catalogue; "": here, where the branch counts its stock
    )

    def url(self, **changes: Any) -> str:
        new = replace(self, **changes)
        return query(
            mount=new.mount, whom=new.whom, sort="" if new.order == "rank" else new.order, lens=new.lens, where=new.where
        )


def state_of(request: HttpRequest) -> State:
    got = request.GET
    return State(
        mount=m if (m := got.get("mount", "")) in CatalogueFrame.Mount.values else "",
        whom=w if (w := got.get("whom", "")) in ("adult", "child", "any") else "",
        order=s if (s := got.get("sort", "")) in _SORTS else "rank",
        where=p if (p := got.get("where", "")) in ("here", "any") else "",
        lens=k if re.fullmatch(r"[1-9][0-9]{0,17}", k := got.get("lens", ""), re.ASCII) else "",
    )


@require_safe
def frames(request: HttpRequest, reference: str) -> HttpResponse:
    at, state = opened(request, reference), state_of(request)
    option, why_this = _lens(at, state)
    choices = _choices(at.dispense, option)
    case = at.case if option is None else replace(at.case, lens=choices["full_rim"])
    whom = state.whom or _usual_whom(case)
    have = on_sale(CatalogueFrame.objects.filter(group=at.dispense.group_id), at.case.today)
    in_stock = FrameStock.objects.filter(branch=at.dispense.branch_id, count__gt=0)
    where = state.where or ("here" if in_stock.exists() else "any")
    if where == "here":
        have = have.filter(pk__in=in_stock.values("frame"))
    if state.mount:
        have = have.filter(mount=state.mount)
    if whom != "any":
        have = have.filter(child=whom == "child")
    by_key = {str(f.pk): f for f in have}
    face = face_of(case)
    items = [FrameItem(key=key, frame=_frame(f)) for key, f in by_key.items()]
    ranked = [r for r in rank_frames(case, items, choices, face) if r.mean_decentration is not None]
    if state.order != "rank":
        value = _SORTS[state.order][1]
        ranked.sort(key=lambda r: (r.tier == "no", (v := value(r)) is None, v or 0.0))
    sizes = [list(same) for _, same in groupby(ranked, key=lambda r: _size(by_key[r.item.key]))]
    page = Paginator(sizes, A_PAGE).get_page(request.GET.get("page"))
    shown = list(page.object_list)
    exact = _exact(case, [same[0] for same in shown], choices)
    common = said_of_all([findings for _, findings in exact])
    context = {
        "dispense": at.dispense,
        "case": at.case,
        "allowed": at.allowed,
        "prescription": prescription_words(at.case.prescription),
        "frame": frame_words(at.case.frame),
        "lens": option,
        "why_this": why_this,
        "face": _face_words(face, case),
        "missing": [eye for eye in ("right", "left") if getattr(face.pd, eye) is None],
        "page": page,
        "first": page.start_index() if sizes else 0,
        "common": common,
        "rows": [
            _shown(same, by_key, face, case, figures, [said for said in findings if said not in common])
            for same, (figures, findings) in zip(shown, exact, strict=True)
        ],
        "total": len(sizes),
        "mounts": [
            (state.url(mount=v), words, state.mount == v) for v, words in (("", "any"), *CatalogueFrame.Mount.choices)
        ],
        "whoms": [
            (state.url(whom=v), words, whom == v)
            for v, words in (("adult", "adults’"), ("child", "children’s"), ("any", "any"))
        ],
        "wheres": [
            (state.url(where=v), words, where == v)
            for v, words in (("here", f"in stock at {at.dispense.branch.name}"), ("any", "the whole catalogue"))
        ],
        "orders": [(state.url(order=v), words, state.order == v) for v, (words, _) in _SORTS.items()],
        "query": state.url().lstrip("?"),
        "version": record.part_version(at.dispense, "frame"),
        "chosen": at.dispense.frame_item_id,
    }
    return render(request, "dispensing/compare/frames.html", context)


def _lens(at: Opened, state: State) -> tuple[LensOption | None, str]:
    """The lens that the frames are held against, and why this one: asked for, chosen, or a usual one."""
    if state.lens and (asked := can_be_had(at.dispense, at.case).filter(pk=int(state.lens)).first()):
        return asked, ""
    if at.dispense.lens_option is not None:
        return at.dispense.lens_option, ""
    family = usual_family(at.case)
    usual = [o for o in can_be_had(at.dispense, at.case) if o.lens.family == family]
    usual.sort(key=lambda o: (abs(float(o.material.nd) - USUAL_INDEX), o.lens.name))
    return (usual[0], "No lens is chosen yet: a usual one is taken.") if usual else (None, "")


def _choices(dispense: Dispense, option: LensOption | None) -> dict[str, LensChoice]:
    if option is None:
        return {}
    return {mount: choice_of(dispense, option, mount) for mount in CatalogueFrame.Mount.values}


def _usual_whom(case: Case) -> str:
    age = case.person.age_years
    return "any" if age is not None and age < ADULT_FROM else "adult"


def _frame(row: CatalogueFrame) -> Frame:
    found = gather.frame_of(frame_to_store(row, {}))
    assert found is not None
    return found


def _size(f: CatalogueFrame) -> tuple[Any, ...]:
    return (f.maker, f.model, f.a, f.b, f.dbl, f.mount)


def _exact(case: Case, rows: list[FrameRow], choices: dict[str, LensChoice]) -> list[tuple[Figures, list[str]]]:
    """The few that are shown, as the sheet would have them with the heights estimated."""
    cases = []
    for row in rows:
        frame, m = row.item.frame, case.measurements
        lens = choices.get(frame.mount or "full_rim", case.lens)
        heights = replace(m, right=_at_height(m.right, row.up.right, frame), left=_at_height(m.left, row.up.left, frame))
        cases.append(replace(case, frame=frame, lens=lens, measurements=heights))
    out = []
    for one, figures in zip(cases, compute_many(cases), strict=True):
        more = [
            f.message for f in lens_findings(one, figures) if f.severity in ("stop", "confirm") and f.check not in _SAID
        ]
        out.append((figures, more))
    return out


def _at_height(adopted: Adopted, up: float | None, frame: Frame) -> Adopted:
    if up is None or frame.b is None:
        return adopted
    return replace(adopted, height=up + 0.5 * frame.b, height_reference="box")


def _shown(
    same: list[FrameRow],
    by_key: dict[str, CatalogueFrame],
    face: Face,
    case: Case,
    figures: Figures,
    more: list[str],
) -> dict[str, Any]:
    row = same[0]
    f = by_key[row.item.key]
    shape, words = _TIERS[row.tier]
    return {
        "item": f,
        "colours": [by_key[r.item.key] for r in same],
        "drawn": _drawing(row, case, str(f)),
        "shape": shape,
        "verdict": words,
        "why": why(row),
        "more": more,
        "decentration": two(row.decentration.right, row.decentration.left, signed=True),
        "thickest": two(figures.right.edge_thickest, figures.left.edge_thickest),
        "centre": two(figures.right.centre_thickness, figures.left.centre_thickness),
        "mass": number(figures.mass_g),
        "height": number(row.height),
        "margin": number(row.height_margin, signed=True),
        "blank": number(row.blank_needed),
        "least": "" if row.blank is None else f"{row.blank:g}",
    }


def _drawing(row: FrameRow, case: Case, name: str) -> SafeString | str:
    frame = row.item.frame
    outline = frame.outline
    if not outline:
        shape = read_front(replace(case, frame=frame), Notes()).shape
        outline = tuple(float(r) for r in (shape.x**2 + shape.y**2) ** 0.5) if shape is not None else ()
    if not outline or frame.a is None or frame.dbl is None:
        return ""
    # of a segment lens the recorded point is the segment's top: the pupil stands above it
    segmented = case.lens.design is not None and case.lens.design.family in SEGMENTED
    eyes = [
        None if x is None else (round(x, 1), PUPIL_ABOVE_DATUM_MM if segmented or up is None else round(up, 1))
        for x, up in zip(row.decentration, row.up, strict=True)
    ]
    step = max(1, len(outline) // 60)
    return _drawn(outline[::step], frame.a, frame.dbl, eyes[0], eyes[1], name)


@lru_cache(maxsize=1024)
def _drawn(
    outline: tuple[float, ...],
    a: float,
    dbl: float,
    right: tuple[float, float] | None,
    left: tuple[float, float] | None,
    name: str,
) -> SafeString:
    return drawings.picture(front_with_eyes(outline, a, dbl, right, left, name))


def _face_words(face: Face, case: Case) -> str:
    pd = " / ".join("?" if v is None else mm(v) for v in face.pd)
    words = f"PD {pd}. "
    if face.up.right is None:
        return words + "Optical centres on the datum line: no height is on record."
    up = " / ".join(mm(v or 0.0) for v in face.up)
    if face.up_measured:
        return words + f"Fitting points {up} above the datum line, as measured in the present frame."
    return (
        words
        + f"No heights are on record: fitting points taken {up} above the datum line (usual: {PUPIL_ABOVE_DATUM_MM:g} mm)."
    )


urlpatterns = [path("dispenses/<str:reference>/compare/frames/", frames, name="compare_frames")]
