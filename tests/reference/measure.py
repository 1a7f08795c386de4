"""Draw correct dispenses, inject one slip at a time, print how many are caught and how many correct ones are disturbed.

    python -m tests.reference.measure [--seed 2026] [--records 400] [--json]

Two arms: `compare` has an earlier pair, repeated readings and, where the checks ask for it, a read-back of typed powers;
`alone` has none of these. A slip is caught when it brings a stop, a confirm or a not-yet-known finding that the correct record
did not have. A correct record is disturbed when it has a confirm or a stop. Being asked for a read-back is counted on its own.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np

from dispensing import figures as figs
from dispensing.case import Case
from dispensing.checks import assess
from tests.reference.consequence import consequential
from tests.reference.population import Source, draw, with_ordered
from tests.reference.slips import SLIPS, Slip

READ_BACK = "rx.read-back"


def is_request(key: str) -> bool:
    return key.split("|")[0] == READ_BACK


def findings(case: Case) -> dict[str, str]:
    """Key -> severity of what is said of a Case, without mere notes."""
    return {f.key: f.severity for f in assess(case, figs.compute(case)) if f.severity != "note" or f.check == READ_BACK}


def judge(case: Case, *, may_read_back: bool, differs: bool) -> tuple[set[str], bool]:
    """What blocks or asks, and whether a read-back was asked for. Where it may be done, it is done, blind."""
    said = findings(case)
    asked = any(is_request(k) for k in said)
    if asked and may_read_back:
        case = replace(case, prescription=replace(case.prescription, read_back="differs" if differs else "matched"))  # type: ignore[type-var]
        said = findings(case)
    return {k for k in said if not is_request(k)}, asked


def run(seed: int, records: int) -> dict[str, object]:
    rng = np.random.default_rng(seed)
    source = Source()
    out: dict[str, object] = {"seed": seed, "records": records}
    for arm in ("compare", "alone"):
        cases: list[Case] = []
        while len(cases) < records:
            case = draw(rng, source, with_history=arm == "compare")
            if case is not None:
                cases.append(case)
        may = arm == "compare"
        base = [judge(c, may_read_back=may, differs=False) for c in cases]
        severities = [findings(c) for c in cases]
        disturbed = [
            any(v in ("stop", "confirm", "unknown") and not is_request(k) for k, v in s.items()) for s in severities
        ]
        stopped = [any(v == "stop" for v in s.values()) for s in severities]
        by_check: Counter[str] = Counter()
        for s in severities:
            by_check.update({k.split("|")[0] + ":" + v for k, v in s.items() if not is_request(k)})
        table: dict[str, dict[str, int]] = defaultdict(
            lambda: {"n": 0, "caught": 0, "consequential": 0, "consequential_caught": 0}
        )
        caught_by: dict[str, Counter[str]] = defaultdict(Counter)
        for i, case in enumerate(cases):
            for s in SLIPS:
                try_one(s, case, cases[(i + 1) % len(cases)], base[i][0], may, rng, table, caught_by)
        kinds = {k: v for k, v in table.items() if v["consequential"]}
        rate = float(np.mean([v["consequential_caught"] / v["consequential"] for v in kinds.values()]))
        out[arm] = {
            "correct records disturbed": sum(disturbed) / records,
            "correct records stopped": sum(stopped) / records,
            "asked for a read-back": sum(a for _, a in base) / records,
            "disturbed by": by_check.most_common(20),
            "consequential slips caught, mean over kinds": rate,
            "all slips caught, mean over kinds": float(np.mean([v["caught"] / v["n"] for v in table.values() if v["n"]])),
            "kinds": {k: {**v, "by": caught_by[k].most_common(3)} for k, v in table.items()},
        }
    return out


def try_one(
    s: Slip,
    case: Case,
    other: Case,
    before: set[str],
    may: bool,
    rng: np.random.Generator,
    table: dict[str, dict[str, int]],
    caught_by: dict[str, Counter[str]],
) -> None:
    wrong = s.apply(case, other, rng)
    if wrong is None or wrong == case:
        return
    if s.typed:  # the power asked of the lab is worked out from what was typed, so the slip travels with it
        wrong = with_ordered(wrong)
    after, _ = judge(wrong, may_read_back=may, differs=s.typed)
    new = after - before
    row = table[s.name]
    # held against the power that is right for the fit as worn: what is asked of a tilted lens is no error
    right = with_ordered(replace(case, fit=wrong.fit), always=True) if s.worn else case
    counts = bool(s.always or consequential(right, wrong))
    row["n"] += 1
    row["caught"] += bool(new)
    row["consequential"] += counts
    row["consequential_caught"] += counts and bool(new)
    caught_by[s.name].update({k.split("|")[0] for k in new})


def as_table(result: dict[str, object]) -> str:
    lines = [
        f"seed {result['seed']}, {result['records']} correct records an arm, one slip of each kind in each where it can occur",
        "",
    ]
    families = {s.name: s.family for s in SLIPS}
    arms = {a: result[a] for a in ("compare", "alone")}
    for label in (
        "consequential slips caught, mean over kinds", "all slips caught, mean over kinds", "correct records disturbed",
        "correct records stopped", "asked for a read-back",
    ):  # fmt: skip
        lines.append(f"{label:46s}" + "".join(f"  {a}: {100 * v[label]:5.1f} %" for a, v in arms.items()))  # type: ignore[index]
    lines += [
        "",
        "| kind of slip | part | compare: n | consequential | caught | alone: n | consequential | caught |",
        "|---|---|--:|--:|--:|--:|--:|--:|",
    ]
    for name in families:
        cells = []
        for v in arms.values():
            k = v["kinds"].get(name)  # type: ignore[index]
            if not k:
                cells.append("0 | | ")
                continue
            share = f"{100 * k['consequential_caught'] / k['consequential']:.0f} %" if k["consequential"] else "–"
            cells.append(f"{k['n']} | {k['consequential']} | {share}")
        lines.append(f"| {name} | {families[name]} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--records", type=int, default=400)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    result = run(given.seed, given.records)
    sys.stdout.write(json.dumps(result, indent=1) if given.json else as_table(result))
    sys.stdout.write("\n")


if __name__ == "__main__":
    main()
