"""Choosing made visible: time on the server for lenses side by side, frames ranked, and what if.

    python tests/bench/bench_compare.py [--rounds 9]

Prints JSON. Its own database with the demo in a temporary folder; whole requests through Django's handler, so with session, gathering,
figures, checks, drawings and template. Beside each stands its peer in the same run: the same figures computed one Case after another,
which is what sharing work between lenses and frames has to beat, and the sheet of the same dispense. Medians; aims from the order.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
AIMS_MS = {"compare_all": 400.0, "what_if_fragment": 150.0}


def median_ms(run: Callable[[], object], rounds: int) -> float:
    run()
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        run()
        times.append((time.perf_counter() - start) * 1000)
    return round(statistics.median(times), 2)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=9)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as local:
        os.environ |= {"DATUMLINE_LOCAL": local, "DJANGO_SETTINGS_MODULE": "deploy.settings"}
        os.environ.pop("DATUMLINE_DATABASE_URL", None)
        print(json.dumps(measured(rounds), indent=1))


def measured(rounds: int) -> dict[str, object]:
    import io

    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command
    from django.test import Client
    from django.urls import reverse

    for command in (["migrate"], ["collectstatic", "--no-input"]):
        call_command(*command, verbosity=0, stdout=io.StringIO())
    call_command("load_demo", stdout=io.StringIO())
    settings.ALLOWED_HOSTS = ["*"]

    from dispensing.checks import assess
    from dispensing.compare import FrameItem, compare, rank_frames
    from dispensing.figures import compute
    from dispensing.gather import case_of
    from dispensing.models import CatalogueFrame, Dispense
    from dispensing.web.compare.frames import _choices, _frame
    from dispensing.web.compare.load import can_be_had, option_of

    dispense = Dispense.objects.filter(lens_option__lens__family="progressive", state="open").order_by("pk").first()
    assert dispense is not None
    client = Client()
    client.force_login(dispense.dispenser)

    def get(name: str, query: str = "", **headers: str) -> Callable[[], object]:
        url = reverse(f"dispensing:{name}", args=[dispense.reference]) + query

        def run() -> object:
            answer = client.get(url, secure=True, **headers)  # type: ignore[arg-type]
            assert answer.status_code == 200
            return answer

        return run

    case = case_of(dispense)
    options = [option_of(dispense, case, o) for o in can_be_had(dispense, case)]
    frames = CatalogueFrame.objects.filter(group=dispense.group_id, retired_on=None)
    items = [FrameItem(key=str(f.pk), frame=_frame(f)) for f in frames]
    choices = _choices(dispense, dispense.lens_option)

    def one_by_one() -> None:
        for option in options:
            one = replace(case, lens=option.choice)
            assess(one, compute(one))

    def frames_one_by_one() -> None:
        for item in items:
            compute(replace(case, frame=item.frame, lens=choices[item.frame.mount or "full_rim"]))

    ms = {
        "compare_all": median_ms(get("compare", "?family=all"), rounds),
        "compare_family": median_ms(get("compare"), rounds),
        "compare_print": median_ms(get("compare_print"), rounds),
        "compare_frames": median_ms(get("compare_frames"), rounds),
        "what_if": median_ms(get("what_if", "?a=46&b=30"), rounds),
        "what_if_fragment": median_ms(get("what_if", "?a=46&b=30", HTTP_HX_REQUEST="true"), rounds),
        "peer_sheet": median_ms(get("sheet"), rounds),
        "lenses_together": median_ms(lambda: compare(case, options), rounds),
        "peer_lenses_one_by_one": median_ms(one_by_one, rounds),
        "frames_together": median_ms(lambda: rank_frames(case, items, choices), rounds),
        "peer_frames_one_by_one": median_ms(frames_one_by_one, max(3, rounds // 3)),
    }
    return {
        "ms": ms,
        "designs": len({o.choice.design.identity for o in options if o.choice.design}),
        "lenses": len(options),
        "frames": len(items),
        "aims_ms": AIMS_MS,
        "aims_met": all(ms[name] < aim for name, aim in AIMS_MS.items()),
    }


if __name__ == "__main__":
    main()
