"""Records to break things on, and what runs beside the test in a process of its own.

python -m tests.faults.seed make ready=8 to_sign=2 to_import=2 lines=400 webhook=PORT    prints what the test needs, as JSON
python -m tests.faults.seed finish KEY …    works off what is left of it, and prints what became of it
"""

from __future__ import annotations

import json
import sys


def make(ready: int = 0, to_sign: int = 0, to_import: int = 0, lines: int = 0, webhook: int = 0) -> dict:
    from django.test import Client

    from dispensing import record, sign_off
    from dispensing.models import Dispense
    from orders import labs
    from tests.dispensing.test_fhir import SPECTACLES
    from tests.factories import PASSWORD, Cast, ClientFactory
    from tests.faults.chores import lay_out
    from tests.orders.ready import ready_dispense

    cast = Cast()
    chores = lay_out(cast, lines, webhook) if lines else {}

    def somebody():
        return ClientFactory(branch=cast.branch)

    waiting = []
    for _ in range(to_sign):
        made = ready_dispense(cast, actor=cast.trainee, client=somebody())
        sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
        waiting.append(made.reference)
    sessions = {}
    for role in ("dispenser", "supervisor", "manager"):
        client = Client()
        client.force_login(getattr(cast, role))
        sessions[role] = client.cookies["sessionid"].value
    return {
        "ready": [ready_dispense(cast, client=somebody()).reference for _ in range(ready)],
        "to_sign": waiting,
        "to_import": [
            record.start_dispense(actor=cast.dispenser, client=somebody(), branch=cast.branch).reference
            for _ in range(to_import)
        ],
        "document": SPECTACLES,
        "sessions": sessions,
        "password": PASSWORD,
        "lab": cast.lab.code,
        "token": labs.create_token(lab=cast.lab).text,
        "dispenses": Dispense.objects.count(),
        "chores": chores,
    }


if __name__ == "__main__":
    import django

    django.setup()
    if sys.argv[1] == "make":
        given = dict(a.split("=") for a in sys.argv[2:])
        print(json.dumps(make(**{k: int(v) for k, v in given.items()})))
    else:
        from tests.faults.chores import finish

        print(json.dumps(finish([int(key) for key in sys.argv[2:]])))
