"""The sign-off desk: what waits for a signature, one screen to judge it on, and what was seen when it was signed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_safe

from dispensing import case as c
from dispensing import forms, sign_off, waiting
from dispensing.assess import Assessment, assess_to_answer, give_reason
from dispensing.drawings.geometry import geometry_of
from dispensing.drawings.pair import pair_picture
from dispensing.models import Dispense, Signature
from dispensing.record import ORDER_OF_PARTS
from dispensing.snapshot import Damaged, read_snapshot, seal
from dispensing.web.sheet import present
from practice import access, cover
from practice.addresses import counted_as
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web import known, proving
from practice.web.fields import Field
from practice.web.seen import opened, readings_shown
from practice.web.shell import branch_of


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What is judged: the same for a dispense as it is now and for one as it was when it was signed."""

    found: Assessment

    @property
    def lines(self) -> list[tuple[str, str]]:
        case = self.found.case
        rx = case.prescription
        return [
            ("Needs", _and(present.needs_words(case.needs), "wish", case.needs.wish)),
            (
                "Prescription",
                _and(present.prescription_words(rx), "prescriber’s remark", rx.remark if rx else ""),
            ),
            ("Frame", present.frame_words(case.frame)),
            ("Final fit", _fit_words(case.fit)),
            ("Readings", _and(present.readings_words(case), "reason", case.measurements.reason)),
            ("Lens", _lens_words(case.lens)),
        ]

    @property
    def picture(self) -> Any:
        return pair_picture(geometry_of(self.found.case, self.found.figures))

    @property
    def figures(self) -> list[tuple[str, bool, list[present.FigureRow]]]:
        """Those that are looked at first, then the rest: title, open, rows."""
        rows = present.figure_rows(self.found.figures)
        parts = [
            ("Figures", True, [r for r in rows if r.strong]),
            ("All other figures", False, [r for r in rows if not r.strong]),
        ]
        return [p for p in parts if p[2]]

    @property
    def findings(self) -> list[present.FindingView]:
        return present.finding_views(self.found, False)

    @property
    def tally(self) -> str:
        counts, open_ones = self.found.tally, len(self.found.open_confirms)
        words = [
            (counts["stop"], "stop"),
            (counts["unknown"], "not yet known"),
            (open_ones, "to confirm"),
            (counts["confirm"] - open_ones, "confirmed"),
            (counts["note"], "note" if counts["note"] == 1 else "notes"),
        ]
        return ", ".join(f"{n} {word}" for n, word in words if n)

    @property
    def readings(self) -> list[tuple[str, str, str, str, bool]]:
        """Quantity, eye, value, how and by whom, in doubt."""
        words = {"far_pd": "PD far", "near_pd": "PD near", "height": "height", "pupil": "pupil height"}
        return [
            (
                words[r.quantity],
                {"right": "R", "left": "L", "both": "both"}[r.eye],
                f"{r.value:.1f}",
                ", ".join(w.replace("_", " ") for w in (r.method or "", r.reference or "", r.by) if w),
                r.in_doubt,
            )
            for r in self.found.case.measurements.readings
        ]

    @property
    def earlier(self) -> list[tuple[Any, str, str, str]]:
        """Date, powers, PD and heights of the pairs before, newest first."""
        return [
            (p.on, present.prescription_words(p.prescription), _pair_words(p.far_pd), _pair_words(p.height))
            for p in self.found.case.earlier[:3]
        ]


def _pair_words(pair: c.Pair[float | None]) -> str:
    return " / ".join("?" if v is None else f"{v:.1f}" for v in pair) if any(v is not None for v in pair) else ""


def _and(words: str, what: str, said: str) -> str:
    """With what somebody wrote beside it: whoever signs answers for that too."""
    return "; ".join(w for w in (words, f"{what}: {said}" if said else "") if w)


def _fit_words(fit: c.Fit) -> str:
    words = ["confirmed" if fit.confirmed else "not confirmed"]
    for value, word, unit in (
        (fit.vertex_mm, "vertex", " mm"),
        (fit.pantoscopic_deg, "pantoscopic", "°"),
        (fit.face_form_deg, "face form", "°"),
    ):
        if value is not None:
            words.append(f"{word} {value:g}{unit}")
    return ", ".join(words)


def _lens_words(lens: c.LensChoice) -> str:
    words = [lens.design.name if lens.design else "", lens.material.name if lens.material else "", lens.coating]
    words.append(lens.tint.name if lens.tint else "")
    words.append(f"blank {lens.blank_diameter_mm:g}" if lens.blank_diameter_mm else "")
    words.append(f"prism thinning {lens.prism_thinning_down:.2f} Δ down" if lens.prism_thinning_down else "")
    words.append("slab-off" if lens.slab_off else "")
    words.append(f"ordered powers worked out by the {lens.compensation}" if lens.compensation != "none" else "")
    return _and(", ".join(w for w in words if w), "instruction to the laboratory", lens.remark)


@require_safe
def desk(request: HttpRequest) -> HttpResponse:
    branch = branch_of(request)
    if branch is None:
        raise Http404
    rows = waiting.to_sign(request.user, branch)  # type: ignore[arg-type]
    recent = (
        Signature.objects.filter(by=request.user.pk, decision__in=[Signature.Decision.SIGNED, Signature.Decision.RETURNED])
        .select_related("dispense__client", "dispense__dispenser")
        .order_by("-at")[:10]
    )
    signs = access.signing_role(request.user, branch) is not None
    pairs = [(w, reverse("dispensing:sign_off", args=[w.dispense.reference])) for w in rows]
    to_measure = [w.dispense for w in rows if w.no is None]
    context = {
        "branch": branch,
        "rows": pairs,
        "elsewhere": waiting.to_sign_elsewhere(request.user, branch),  # type: ignore[arg-type]
        "to_measure": to_measure,
        "recent": recent,
        "signs": signs,
        "covers": cover.covers_of(request.user, branch) if signs else [],  # type: ignore[arg-type]
        "covered_by": list(cover.in_force(branch).filter(absent=request.user.pk)) if signs else [],
        "zone": branch.time_zone,
    }
    return render(request, "dispensing/sign_off_desk.html", context)


DEEDS = ("put_forward", "sign", "return", "take_over", "reason")
REMARKS = 4  # lines for comments on single fields


def _places() -> list[tuple[str, list[tuple[str, str]]]]:
    """What a comment can be tied to, by part; ordered powers and the near row are reached through the part."""
    rare = ("lens.ordered_", "prescription.right.near", "prescription.left.near", "readings.observer", "readings.reference")
    out = []
    for part in ORDER_OF_PARTS:
        fields = [(p, s.label) for p, s in forms.specs(part).items() if not p.startswith(rare)]
        out.append((part.capitalize(), [(part, f"{part.capitalize()} as a whole"), *fields]))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class RemarkLine:
    """One line of the form that returns a dispense."""

    number: int
    at: str = ""
    text: str = ""
    error: str = ""


def sign_off_page(request: HttpRequest, reference: str) -> HttpResponse:
    """One dispense with everything needed to answer for it, and the deeds that are open to this person."""
    dispense = get_object_or_404(
        access.scoped(Dispense.objects.select_related("client", "branch", "group", "dispenser"), request.user),
        reference=reference,
    )
    opened(request, dispense.client, f"dispense {reference}")
    readings_shown(request, reference)
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            words = _do(request, dispense)
        except Invalid as problem:
            errors = problem.errors
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, words)
            return redirect("dispensing:sign_off", reference)
        dispense.refresh_from_db()
    return render(request, "dispensing/sign_off.html", _context(request, dispense, errors, trouble))


def _do(request: HttpRequest, dispense: Dispense) -> str:
    deed = request.POST.get("deed", "")
    common: dict[str, Any] = {
        "actor": request.user,
        "dispense": dispense,
        "version": _whole(request.POST.get("version", "")),
        "last_seen": _whole(request.POST["last"]) if "last" in request.POST else None,
    }
    comment = request.POST.get("comment", "")
    if deed == "put_forward":
        sign_off.put_forward(**common, comment=comment)
        return "Put forward for signature."
    if deed == "sign":
        sign_off.sign(
            **common,
            comment=comment,
            password=request.POST.get("password", "")[:200],
            address=counted_as(request),
            known=known.mark_of(request, request.user.get_username()),
            seen_sha256=request.POST.get("seen", "") or "-",
        )
        return f"Signed. {dispense.reference} can be ordered."
    if deed == "return":
        sign_off.return_to_dispenser(**common, comment=comment, remarks=_typed_remarks(request))
        return f"Returned to {dispense.dispenser.display_name}."
    if deed == "take_over":
        sign_off.take_over(**common)
        return "This is your dispense now."
    if deed == "reason":
        key = request.POST.get("finding", "")
        try:
            give_reason(
                actor=request.user,  # type: ignore[arg-type]
                dispense=dispense,
                finding_key=key,
                text=request.POST.get("reason", ""),
                seen=request.POST.get("figures"),
            )
        except Invalid as problem:
            raise Invalid({f"reason {key}": problem.errors["reason"]}) from problem
        return "Reason recorded."
    raise Refused("Nothing was done: choose one of the buttons.")


def _whole(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else 0


def _typed_remarks(request: HttpRequest) -> list[tuple[str, str]]:
    at, text = request.POST.getlist("at")[:20], request.POST.getlist("remark")[:20]
    return list(zip_longest(at, text, fillvalue=""))


def _remark_lines(request: HttpRequest, errors: dict[str, str]) -> list[RemarkLine]:
    typed = _typed_remarks(request) if request.POST.get("deed") == "return" else []
    typed += [("", "")] * (REMARKS - len(typed))
    return [
        RemarkLine(number=n, at=at, text=text, error=errors.get(f"remark.{n}", "")) for n, (at, text) in enumerate(typed)
    ]


def _context(request: HttpRequest, dispense: Dispense, errors: dict[str, str], trouble: str) -> dict[str, Any]:
    # somebody who may not sign sees it as a supervisor would find it, not as if they had signed it themselves
    signer = request.user if access.may(request.user, "dispense.sign", branch=dispense.branch, subject=dispense) else None
    found = assess_to_answer(dispense, by=signer)  # type: ignore[arg-type]
    shown = Shown(found=found)
    state, State = dispense.state, Dispense.State
    restricted = sign_off.restricted(dispense)
    deed = request.POST.get("deed", "") if request.method == "POST" else ""
    typed = {name: request.POST.get(name, "") for name in ("comment", "reason", "finding")}

    def may(action: str, **facts: Any) -> bool:
        return access.may(request.user, action, branch=dispense.branch, subject=dispense, **facts)

    def comment(name: str, label: str, **more: Any) -> Field:
        mine = deed == name
        return Field(
            name="comment",
            label=label,
            kind="textarea",
            rows=2,
            value=typed["comment"] if mine else "",
            error=errors.get("comment", "") if mine else "",
            wide=True,
            **more,
        )

    label = proving.label(request.user)  # type: ignore[arg-type]
    password = Field(
        name="password",
        label=f"{label}, to sign",
        kind="password",
        autocomplete="current-password",
        error=errors.get("password", ""),
    )
    waiting_now = state == State.WAITING
    no_sign = sign_off.why_not_sign(actor=request.user, dispense=dispense)  # type: ignore[arg-type]
    fields = {
        "put_forward": comment("put_forward", "Anything the supervisor should know"),
        "sign": comment("sign", "Comment"),
        "return": comment("return", "What should be looked at again"),
        "password": password,
    }
    lines = _remark_lines(request, errors)
    reasons = []
    for number, view in enumerate(shown.findings, start=1):
        key = view.finding.key
        reasons.append(
            (
                view,
                Field(
                    name="reason",
                    ident=f"reason-{number}",
                    label="Why it is right this time",
                    value=typed["reason"] if typed["finding"] == key and errors else "",
                    error=errors.get(f"reason {key}", ""),
                    autocomplete="off",
                ),
            )
        )
    return {
        "dispense": dispense,
        "client": dispense.client,
        "age": access.age_on(dispense.client.date_of_birth, dispense.branch.today()),
        "zone": dispense.branch.time_zone,
        "restricted": restricted,
        "shown": shown,
        "findings": reasons,
        "seen": seal(found)[1],
        "last": sign_off.newest_decision(dispense),
        "covering": cover.covering_for(request.user, dispense.dispenser, dispense.branch) if signer else None,  # type: ignore[arg-type]
        "signatures": dispense.signatures.select_related("by", "covering_for").prefetch_related("remarks"),
        "remark_lines": lines,
        "remarks_open": any(x.at or x.text for x in lines),
        "may_remeasure": may("dispense.remeasure") and state != State.CANCELLED,
        "remeasures": dispense.remeasures.count(),
        "places": _places(),
        "covers": sign_off.current_signature(dispense),
        "needs_signature": sign_off.needs_signature(dispense),
        "fields": fields,
        "trouble": trouble,
        "errors": [
            *(f for f in [*fields.values(), *(f for _, f in reasons)] if f.error),
            *({"id": f"f-remark-{x.number}", "label": "Comment on a field", "error": x.error} for x in lines if x.error),
        ],
        "open_stops": found.open_stops,
        "open_confirms": found.open_confirms,
        "may_put_forward": state in {State.OPEN, State.RETURNED} and may("dispense.put_forward"),
        "may_sign": waiting_now and no_sign is None,
        "no_sign": no_sign if waiting_now else None,
        "may_return": state in {State.WAITING, State.SIGNED} and may("dispense.return"),
        "may_take_over": state in {State.OPEN, State.RETURNED, State.WAITING}
        and dispense.dispenser_id != request.user.pk
        and may("dispense.take_over"),
        "may_reason": state in {State.OPEN, State.RETURNED, State.WAITING} and may("reason.give"),
    }


@require_safe
def signature_page(request: HttpRequest, reference: str, pk: int) -> HttpResponse:
    """Exactly what was seen when it was signed, from the copy that was frozen then."""
    signature = get_object_or_404(
        Signature.objects.filter(dispense__in=access.scoped(Dispense.objects.all(), request.user)).select_related(
            "by", "covering_for", "dispense__client", "dispense__branch"
        ),
        pk=pk,
        dispense__reference=reference,
        decision=Signature.Decision.SIGNED,
    )
    dispense = signature.dispense
    opened(request, dispense.client, f"dispense {reference}")
    readings_shown(request, reference)
    context: dict[str, Any] = {
        "signature": signature,
        "dispense": dispense,
        "client": dispense.client,
        "zone": dispense.branch.time_zone,
    }
    try:
        shown = Shown(found=read_snapshot(signature.snapshot, signature.snapshot_sha256))
        context |= {"shown": shown, "findings": [(v, None) for v in shown.findings]}
    except Damaged as problem:
        context["damaged"] = str(problem)
    return render(request, "dispensing/signature.html", context)


urlpatterns = [
    path("sign-off/", desk, name="sign_off_desk"),
    path("dispenses/<str:reference>/sign-off/", sign_off_page, name="sign_off"),
    path("dispenses/<str:reference>/signatures/<int:pk>/", signature_page, name="signature"),
]
