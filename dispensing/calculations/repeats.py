"""Repeated readings and two ways of measuring."""

from __future__ import annotations

from dispensing.calculations import pictures
from dispensing.calculations.registry import Answer, Input, Inputs, Value, calculation, number
from dispensing.optics.agreement import agreement, grubbs, repeatability


def _value(name: str, label: str, value: float) -> Value:
    return Value(name, label, value, "", number(value, 3))


@calculation(
    "repeatability",
    group="repeats",
    title="Repeatability",
    inputs=(
        Input(
            name="readings", label="Readings", kind="readings", rows=True, low=-1e6, high=1e6,
            help="One line a client (or eye), its readings with spaces between.",
        ),
    ),
    formula="s_w = √(Σ(x − x̄)²/Σ(n − 1));  repeatability = 1.96·√2·s_w = 2.77·s_w",
    source="Bland & Altman, BMJ 1996; 313: 744",
    cautions=("It says how one observer repeats himself, not whether he reads right.",),
    example={"readings": [[31.5, 32.0, 31.5], [33.0, 32.5], [29.5, 30.0, 30.0]]},
)  # fmt: skip
def repeat(v: Inputs) -> Answer:
    """Within-subject SD of repeated readings, and the difference that two of them will seldom exceed."""
    found = repeatability(v["readings"])
    return Answer(
        values=(
            _value("within_subject_sd", "Within-subject SD", found.within_subject_sd),
            _value("repeatability", "Repeatability", found.coefficient),
            Value("low", "SD, 95 % limits", f"{number(found.low, 3)} to {number(found.high, 3)}"),
            Value("subjects", "Clients used", found.subjects),
        ),
        working=(
            f"degrees of freedom Σ(n − 1) = {found.freedom}",
            f"s_w = {number(found.within_subject_sd, 4)};  2.77·{number(found.within_subject_sd, 4)} = {number(found.coefficient, 3)}",
        ),
        remarks=("Fewer than ten degrees of freedom: the SD itself is uncertain.",) if found.freedom < 10 else (),
    )


@calculation(
    "outlier",
    group="repeats",
    title="A reading that does not fit",
    inputs=(
        Input(name="readings", label="Readings of one quantity", kind="readings", low=-1e6, high=1e6),
        Input(name="least", label="Nearer than this is never outlying", kind="figure", low=0, high=1e6, default=1.0),
    ),
    formula="G = max|x − x̄|/s against ((n − 1)/√n)·√(t²/(n − 2 + t²)), t at 0.05/2n",
    source="Grubbs 1969, Technometrics 11: 1",
    cautions=("Of three readings none is called outlying: read again. Never drop a reading without a cause.",),
    example={"readings": [31.5, 31.5, 32.0, 31.5, 36.0], "least": 1.0},
)
def outlier(v: Inputs) -> Answer:
    """Grubbs' test at 5 %, two-sided, for the reading furthest from the mean."""
    found = grubbs(v["readings"], least=v["least"])
    return Answer(
        values=(
            Value("value", "Furthest from the mean", found.value, "", number(found.value)),
            Value("outlying", "Outlying", found.outlying),
            _value("statistic", "G", found.statistic),
            _value("limit", "Limit", found.limit),
        ),
        working=(f"G = {number(found.statistic, 3)}, limit {number(found.limit, 3)} for n = {len(v['readings'])}",),
    )


@calculation(
    "limits-of-agreement",
    group="repeats",
    title="Limits of agreement",
    inputs=(
        Input(name="first", label="First method", kind="readings", low=-1e6, high=1e6),
        Input(
            name="second",
            label="Second method",
            kind="readings",
            low=-1e6,
            high=1e6,
            help="The same clients in the same order.",
        ),
    ),
    formula="limits = mean difference ± 1.96·SD;  95 % confidence: ± t·s/√n for the mean, ± t·s·√(1/n + z²/(2(n − 1))) for a limit",
    source="Bland & Altman, Lancet 1986; i: 307-310",
    cautions=("Whether the limits are narrow enough is a question of the trade, not of statistics.",),
    example={
        "first": [31.5, 33.0, 30.0, 32.5, 34.0, 29.5, 31.0, 33.5, 32.0, 30.5],
        "second": [31.0, 33.5, 30.5, 32.0, 33.0, 30.0, 31.5, 33.0, 31.0, 30.0],
    },
)
def limits(v: Inputs) -> Answer:
    """How far two ways of measuring the same thing part, with confidence limits."""
    found = agreement(v["first"], v["second"])
    means = [(a + b) / 2 for a, b in zip(v["first"], v["second"], strict=True)]
    differences = [a - b for a, b in zip(v["first"], v["second"], strict=True)]
    return Answer(
        values=(
            _value("bias", "Mean difference", found.bias),
            _value("lower", "Lower limit", found.lower),
            _value("upper", "Upper limit", found.upper),
            _value("sd", "SD of the differences", found.sd),
            Value("bias_range", "Mean difference, 95 %", f"{number(found.bias_low, 3)} to {number(found.bias_high, 3)}"),
            Value("lower_range", "Lower limit, 95 %", f"{number(found.lower_low, 3)} to {number(found.lower_high, 3)}"),
            Value("upper_range", "Upper limit, 95 %", f"{number(found.upper_low, 3)} to {number(found.upper_high, 3)}"),
        ),
        working=(
            f"n = {found.n}, mean difference {number(found.bias, 3)}, SD {number(found.sd, 3)}",
            f"{number(found.bias, 3)} ± 1.96·{number(found.sd, 3)} = {number(found.lower, 3)} to {number(found.upper, 3)}",
        ),
        remarks=("Fewer than 30 clients: the limits are uncertain, as their own limits show.",) if found.n < 30 else (),
        picture=pictures.agreement_plot(
            means,
            differences,
            ((found.upper, "upper"), (found.bias, "bias"), (found.lower, "lower")),
            f"Differences against means: bias {number(found.bias, 2)}, limits {number(found.lower, 2)} to {number(found.upper, 2)}.",
        ),
    )
