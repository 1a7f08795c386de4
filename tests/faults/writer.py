"""Processes that write to SQLite while a test breaks it.

python -m tests.faults.writer change                      changes a client again and again; prints each audit row's sequence
python -m tests.faults.writer crowd <writers> <each>      so many threads do so many changes each, at once
python -m tests.faults.writer page <reference> [full]     issues through the page; prints the status and the page
"""

from __future__ import annotations

import contextlib
import sys
import threading


def change(action: str = "faults.changed") -> int:
    from django.db import transaction

    from practice import audit
    from practice.models import Client

    with transaction.atomic():
        row = Client.objects.select_for_update().order_by("pk").first()
        event = audit.record(
            actor=None,
            action=action,
            subject=row.reference,
            group=row.group,
            client=row,
            after={"notes": "x" * 400},
        )
        row.notes = f"changed {event.sequence}"
        row.save(update_fields=["notes"])
    return event.sequence


def crowd(writers: int, each: int) -> None:
    from django.db import connection

    gate, done, trouble = threading.Barrier(writers), [], []

    def run() -> None:
        gate.wait()
        try:
            for _ in range(each):
                done.append(change("faults.crowd"))
        except Exception as error:
            trouble.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(writers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if trouble:
        raise trouble[0]
    print("done", len(set(done)))


def page(reference: str, how: str = "") -> None:
    from django.contrib.sessions.models import Session
    from django.db import OperationalError, connection
    from django.test import Client

    from dispensing.models import Dispense
    from orders.models import Lab
    from practice.models import Staff

    row = Dispense.objects.get(reference=reference)
    browser = Client(raise_request_exception=False)
    staff = Staff.objects.get(pk=row.dispenser_id)
    for each in Session.objects.order_by("pk"):
        if each.get_decoded().get("_auth_user_id") == str(staff.pk):
            browser.cookies["sessionid"] = each.session_key
    lab = Lab.objects.filter(group=row.group).order_by("pk").first()
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA busy_timeout = 700")
        if how == "full":
            cursor.execute("CREATE TABLE IF NOT EXISTS filler (content)")
            cursor.execute("PRAGMA page_count")
            cursor.execute(f"PRAGMA max_page_count = {cursor.fetchone()[0]}")
            for size in (100_000, 4000, 200):  # the pages that are free are used up too
                with contextlib.suppress(OperationalError):
                    while True:
                        cursor.execute(f"INSERT INTO filler VALUES (zeroblob({size}))")
    answer = browser.post(f"/dispenses/{reference}/order/", {"lab": lab.code, "version": row.version})
    print(answer.status_code)
    print(answer.content.decode())


if __name__ == "__main__":
    import django

    django.setup()
    name, arguments = sys.argv[1], sys.argv[2:]
    if name == "change":
        while True:
            print(change(), flush=True)
    elif name == "crowd":
        crowd(int(arguments[0]), int(arguments[1]))
    else:
        page(*arguments)
