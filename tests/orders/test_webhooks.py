"""Labs that want to be told: signed, from the outbox, at a real HTTP server; never into a private network; no faster than asked."""

from __future__ import annotations

import base64
import hashlib
import hmac
import html
import ipaddress
import json
import socket
import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from zoneinfo import ZoneInfo

import pytest
from django.core.management import call_command
from django.db import connection, connections, transaction
from django.urls import reverse
from django.utils import timezone

from orders import issue, lab_progress
from orders.models import Order, Question, Webhook, WebhookMessage
from orders.webhooks import deliver, outbox, send, signing, targets
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.orders.ready import ready_dispense

only_postgresql = pytest.mark.skipif(
    connection.vendor != "postgresql",
    reason="threads cannot share SQLite's test database in memory",
)


class Lab:
    """A lab's server: keeps what it was sent, answers what it is told to."""

    def __init__(self) -> None:
        self.got: list[tuple[str, dict[str, str], bytes]] = []
        self.answers: list[tuple[int, dict[str, str]]] = []
        self.drip = False
        lab = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                lab.got.append((self.path, {k.lower(): v for k, v in self.headers.items()}, body))
                status, headers = lab.answers.pop(0) if lab.answers else (204, {})
                if lab.drip:
                    lab.drip_out(self)
                    return
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST

            def log_message(self, *args):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever)
        self.thread.start()

    def drip_out(self, handler) -> None:
        try:
            for _ in range(200):
                handler.wfile.write(b"H")
                handler.wfile.flush()
                if threading.Event().wait(0.05):
                    return
        except OSError:
            pass

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.server_port}/hook?from=practice"

    def stop(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture
def lab():
    made = Lab()
    yield made
    made.stop()


@pytest.fixture
def hook(cast, lab, settings):
    settings.WEBHOOKS_MAY_BE_PRIVATE = True
    return outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url=lab.url)


def told(cast, make_order, kind="issued") -> Order:
    order = make_order()
    with transaction.atomic():
        outbox.announce(order, kind, order.issued_at)
    return order


class Clock:
    def __init__(self) -> None:
        self.now = timezone.now() + timedelta(seconds=5)  # after what is put in the outbox

    def __call__(self) -> datetime:
        return self.now


# --- the signature


def test_the_signature_is_that_of_the_specification():
    """The vector was computed by hand from the specification and with the PyPI library `standardwebhooks`; both agree."""
    secret = base64.b64decode("AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=")
    body = b'{"type":"order.ready","timestamp":"2023-11-14T22:13:20Z","data":{"id":"1"}}'
    assert signing.shown(secret) == "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="
    assert signing.sign(secret, "msg_0001", 1700000000, body) == "v1,eJeG1P+zsiWn7EVr4W+4POeaHZKlbzmEWVTxYDbADYI="


def test_the_secret_is_not_in_the_database(cast, hook):
    secret = base64.b64decode(hook.secret.removeprefix("whsec_"))
    assert len(secret) == 32
    row = Webhook.objects.get()
    kept = json.dumps([str(v) for v in Webhook.objects.values().get().values()])
    for form in (hook.secret, hook.secret[6:], secret.hex()):
        assert form not in kept
        assert form not in "".join(str(e.after) for e in AuditEvent.objects.all())
    assert signing.secret_of(row.salt) == secret
    assert signing.secret_of(row.salt, "another site's key") != secret
    again = outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url=row.url)
    assert again.secret == "", "shown once"


# --- delivery to a real server


def check(headers: dict[str, str], body: bytes, *secrets: str) -> bool:
    """As a lab would do it, from the specification alone."""
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    wanted = {
        "v1," + base64.b64encode(hmac.new(base64.b64decode(s[6:]), signed, hashlib.sha256).digest()).decode()
        for s in secrets
    }
    return wanted == set(headers["webhook-signature"].split(" "))


def test_an_order_that_is_issued_is_told(cast, lab, hook, capsys):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    assert lab.got == []
    call_command("deliver_webhooks")
    assert capsys.readouterr().out.startswith("1 delivered, 0 failed")
    ((path, headers, body),) = lab.got
    assert path == "/hook?from=practice"
    assert json.loads(body) == {
        "type": "order.issued",
        "timestamp": order.issued_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "data": {"number": order.number},
    }
    assert headers["content-type"] == "application/json"
    assert abs(int(headers["webhook-timestamp"]) - timezone.now().timestamp()) < 60
    assert check(headers, body, hook.secret)
    assert not check(headers, body + b" ", hook.secret)
    call_command("deliver_webhooks")
    assert len(lab.got) == 1
    issue.cancel_order(actor=cast.dispenser, order=order, reason="Wrong frame chosen.")
    call_command("deliver_webhooks")
    assert json.loads(lab.got[-1][2])["type"] == "order.cancelled"
    assert Webhook.objects.get().last_delivered_at is not None


def test_an_answer_is_told(cast, lab, hook, make_order):
    order = make_order()
    lab_progress.ask(lab=cast.lab, number=order.number, text="Edge matt?")
    lab_progress.answer_question(actor=cast.dispenser, question=Question.objects.get(), text="Matt.")
    deliver.deliver_due()
    assert [json.loads(b)["type"] for _, _, b in lab.got] == ["order.answered"]


def test_what_is_rolled_back_is_not_told_and_other_labs_are_not(cast, hook, make_order):
    order = make_order()

    @transaction.atomic
    def fails() -> None:
        outbox.announce(order, "issued", order.issued_at)
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    with transaction.atomic():
        outbox.announce(make_order(lab=cast.foreign_lab), "issued", order.issued_at)
    assert not WebhookMessage.objects.exists()


def test_what_labs_are_not_told_of_is_refused(cast, hook, make_order):
    with pytest.raises(ValueError, match="not told"):
        told(cast, make_order, "acknowledged")


def test_both_secrets_sign_while_one_is_changed(cast, lab, hook, make_order):
    second = outbox.new_secret(actor=cast.manager, branch=cast.branch, lab=cast.lab)
    assert second.secret != hook.secret
    told(cast, make_order)
    deliver.deliver_due()
    assert check(lab.got[-1][1], lab.got[-1][2], second.secret, hook.secret)
    Webhook.objects.update(previous_until=timezone.now())
    told(cast, make_order)
    deliver.deliver_due()
    assert check(lab.got[-1][1], lab.got[-1][2], second.secret)


def test_an_old_site_key_still_signs_while_it_is_listed(cast, lab, hook, make_order, settings):
    old = settings.SECRET_KEY
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "the new key of this site", [old]
    told(cast, make_order)
    deliver.deliver_due()
    new = signing.shown(signing.secret_of(Webhook.objects.get().salt))
    assert check(lab.got[-1][1], lab.got[-1][2], new, hook.secret)


# --- when the other side fails


def test_failures_are_tried_again_later_and_later_under_one_identifier(cast, lab, hook, make_order):
    clock = Clock()
    told(cast, make_order)
    told(cast, make_order)
    waits, lab.answers = [], [(500, {})] * 9
    for _ in range(9):
        before = clock.now
        assert deliver.deliver_due(clock=clock).failed == 1, "a lab that fails is left alone for the rest of the pass"
        assert deliver.deliver_due(clock=clock).failed == 0
        dues = set(WebhookMessage.objects.values_list("due_at", flat=True))
        assert len(dues) == 1, "its other messages wait with the first, so that their order is kept"
        waits.append((dues.pop() - before).total_seconds())
        clock.now = before + timedelta(seconds=waits[-1])
    expected = [5, 300, 1800, 7200, 18000, 36000, 50400, 72000, 86400]  # Standard Webhooks, example schedule
    assert all(0.8 * e <= w <= 1.2 * e for w, e in zip(waits, expected, strict=True))
    assert len({round(w / e, 3) for w, e in zip(waits, expected, strict=True)}) > 3, "jitter"
    assert deliver.deliver_due(clock=clock).delivered == 2
    ids = [h["webhook-id"] for _, h, _ in lab.got]
    assert len(set(ids[:10])) == 1
    assert len(set(ids)) == 2
    assert Webhook.objects.get().failing_since is None


@pytest.mark.parametrize(
    ("status", "headers"),
    [(302, {"Location": "http://127.0.0.1:1/elsewhere"}), (301, {"Location": "/hook"}), (400, {}), (404, {}), (503, {})],
)
def test_anything_but_2xx_is_a_failure_and_no_redirect_is_followed(cast, lab, hook, make_order, status, headers):
    told(cast, make_order)
    lab.answers = [(status, headers)]
    assert deliver.deliver_due().failed == 1
    assert len(lab.got) == 1
    message = WebhookMessage.objects.get()
    assert (message.tries, message.trouble, message.delivered_at) == (1, f"answered {status}", None)


@pytest.mark.parametrize(
    ("trouble", "words"),
    [  # as Python 3.11 on Linux words them
        ("[Errno -2] Name or service not known", "The name in the address is not known."),
        ("ConnectionRefusedError: [Errno 111] Connection refused", "Nothing listens at the address."),
        ("TimeoutError: timed out", "The lab's server did not answer in time."),
        (
            "SSLCertVerificationError: [SSL: CERTIFICATE_VERIFY_FAILED] certificate verify failed: self-signed certificate",
            "The certificate of the lab's server is not accepted.",
        ),
        ("answered 404", "The lab's server answered 404."),
        ("RemoteDisconnected: closed", "RemoteDisconnected: closed"),
    ],
)
def test_what_the_machine_says_is_said_so_that_somebody_can_mend_it(trouble, words):
    assert send.plainly(trouble) == words


def test_the_page_of_the_lab_says_why_it_fails_and_when_it_is_tried_again(cast, lab, hook, make_order, client):
    client.force_login(cast.manager)
    page = reverse("orders:lab", args=[cast.lab.pk])
    told(cast, make_order)
    assert "The next try is due" not in client.get(page).content.decode()
    lab.answers = [(404, {})]
    deliver.deliver_due()
    text = html.unescape(client.get(page).content.decode())
    assert "The lab's server answered 404." in text
    due = WebhookMessage.objects.get().due_at.astimezone(ZoneInfo(cast.branch.time_zone))
    assert f"The next try is due {due:%-d %b %Y, %H:%M}." in text
    deliver.deliver_due(clock=lambda: timezone.now() + timedelta(minutes=1))
    assert "answered 404" not in html.unescape(client.get(page).content.decode())


@pytest.mark.parametrize("form", ["seconds", "date"])
def test_retry_after_is_honoured(cast, lab, hook, make_order, form):
    clock = Clock()
    told(cast, make_order)
    at = (clock.now + timedelta(hours=1)).astimezone(UTC).strftime("%a, %d %b %Y %H:%M:%S GMT")
    lab.answers = [(429, {"Retry-After": "3600" if form == "seconds" else at})]
    deliver.deliver_due(clock=clock)
    assert WebhookMessage.objects.get().due_at - clock.now >= timedelta(minutes=59)


@pytest.mark.parametrize("at", ["Mon, 01 Jan 0001 00:00:00 +2359", "Fri, 31 Dec 9999 23:59:59 -2359"])
def test_a_date_beyond_the_calendar_stops_nobody_else(cast, lab, hook, make_order, at):
    told(cast, make_order)
    lab.answers = [(503, {"Retry-After": at})]
    assert deliver.deliver_due().failed == 1
    assert WebhookMessage.objects.get().trouble == "answered 503"


def test_after_days_of_failure_it_is_disabled_and_told_in_the_audit_trail(cast, lab, hook, make_order):
    clock = Clock()
    told(cast, make_order)
    lab.answers = [(500, {})] * 40
    while clock.now - hook_since() < deliver.DISABLE_AFTER:
        assert Webhook.objects.get().active
        assert deliver.deliver_due(clock=clock).failed == 1
        clock.now = WebhookMessage.objects.get().due_at
    assert deliver.deliver_due(clock=clock).disabled == 1
    row = Webhook.objects.get()
    assert (row.active, row.disabled_why) == (False, "answered 500")
    assert WebhookMessage.objects.get().given_up_at is not None
    assert AuditEvent.objects.filter(action="lab.webhook_disabled").count() == 1
    told(cast, make_order)
    assert WebhookMessage.objects.count() == 1, "nothing piles up for a webhook that is off"


def hook_since() -> datetime:
    return Webhook.objects.get().failing_since or timezone.now()


def test_410_disables_at_once(cast, lab, hook, make_order):
    told(cast, make_order)
    lab.answers = [(410, {})]
    assert deliver.deliver_due().disabled == 1
    assert not Webhook.objects.get().active


def test_a_lab_that_drips_its_answer_is_cut_off(cast, lab, hook, make_order, monkeypatch):
    monkeypatch.setattr(send, "WHOLE_S", 0.4)
    told(cast, make_order)
    lab.drip = True
    assert deliver.deliver_due().failed == 1


def test_nobody_there(cast, hook, make_order):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        Webhook.objects.update(url=f"http://127.0.0.1:{free.getsockname()[1]}/")
    told(cast, make_order)
    assert deliver.deliver_due().failed == 1
    assert "refused" in WebhookMessage.objects.get().trouble


# --- claims


def test_a_claim_is_held_and_ends_by_itself(cast, hook, make_order):
    told(cast, make_order)
    now = timezone.now()
    first = deliver.claim(now)
    assert first is not None
    assert deliver.claim(now) is None, "somebody is sending it"
    second = deliver.claim(now + deliver.CLAIM)
    assert second is not None, "whoever claimed it was killed"
    deliver.failed(first, send.Answer(500, "answered 500"), now)
    assert WebhookMessage.objects.get().claimed_until == second.claimed_until, "the late one changes nothing"
    deliver.delivered(second, now)
    assert WebhookMessage.objects.get().delivered_at == now


@only_postgresql
@pytest.mark.django_db(transaction=True)
def test_four_senders_at_once_send_each_message_once(lab, settings):
    from tests.factories import Cast
    from tests.orders.test_crowd import bare_dispenses, bare_order

    settings.WEBHOOKS_MAY_BE_PRIVATE = True
    cast = Cast()
    outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url=lab.url)
    for i, dispense in enumerate(bare_dispenses(cast, 40), 1):
        order = bare_order(cast, dispense, f"SM-{i:06d}", i)
        with transaction.atomic():
            outbox.announce(order, "issued", timezone.now())
    counts = []

    def run() -> None:
        try:
            counts.append(deliver.deliver_due().delivered)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run) for _ in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sum(counts) == len(lab.got) == 40
    assert len({h["webhook-id"] for _, h, _ in lab.got}) == 40
    assert not WebhookMessage.objects.filter(delivered_at=None).exists()


# --- where messages may go


@pytest.mark.parametrize(
    "text",
    [
        "127.0.0.1", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "0.0.0.0", "100.64.0.1", "224.0.0.1",
        "240.0.0.1", "255.255.255.255", "::1", "::", "fe80::1", "fc00::1", "ff02::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1",
        "64:ff9b::7f00:1", "2002:7f00:1::", "2001:0:4136:e378:8000:63bf:80ff:fffe", "192.0.2.1", "2001:db8::1",
        "fec0::1",
    ],
)  # fmt: skip
def test_private_addresses(text):
    assert not targets.is_public(ipaddress.ip_address(text))


@pytest.mark.parametrize("text", ["8.8.8.8", "2606:4700::1111", "::ffff:8.8.8.8"])
def test_public_addresses(text):
    assert targets.is_public(ipaddress.ip_address(text))


@pytest.mark.parametrize(
    "url",
    [
        "http://lab.example/hook", "ftp://lab.example/", "https://", "https://u:p@lab.example/", "https://u@lab.example/",
        "https://lab.example/#x", "https://127.0.0.1/", "https://[::1]/", "https://[::ffff:10.0.0.1]/", "//lab.example/",
        "https://lab.example:99999/", "https://lab.example:0/", "https://lab .example/", "https://l\u00e4b.example/",
        "https://lab.example/\r\nHost: x", "https://lab.example\\@10.0.0.1/", "https://" + "x" * 500, "", "lab.example",
    ],
)  # fmt: skip
def test_what_is_no_address_for_messages(cast, url):
    with pytest.raises(Invalid) as caught:
        outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url=url)
    assert set(caught.value.errors) == {"url"}
    assert not Webhook.objects.exists()


def _resolves_to(monkeypatch, *addresses: str) -> None:
    def lookup(host, port, **_):
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (a, port)) for a in addresses]

    monkeypatch.setattr(targets.socket, "getaddrinfo", lookup)


@pytest.mark.parametrize("addresses", [["127.0.0.1"], ["8.8.8.8", "10.0.0.1"], ["::1"], ["169.254.169.254"]])
def test_a_name_that_leads_inside_is_not_connected_to(cast, make_order, monkeypatch, addresses):
    _resolves_to(monkeypatch, *addresses)
    outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url="https://lab.example/hook")
    monkeypatch.setattr(send.socket, "create_connection", lambda *a: pytest.fail("connected"))
    told(cast, make_order)
    assert deliver.deliver_due().failed == 1
    assert "inside a private network" in WebhookMessage.objects.get().trouble


@pytest.mark.parametrize("host", ["2130706433", "0x7f.1", "127.1"])
def test_odd_spellings_of_loopback_are_seen_through(host):
    """Resolved by the system's own resolver, not by us."""
    try:
        with pytest.raises(targets.BadTarget, match="inside a private"):
            targets.resolve(targets.parse(f"https://{host}/", private=False), private=False)
    except OSError:
        pass  # a resolver that knows no such spelling is as good


def test_the_connection_is_made_to_the_address_that_was_checked(cast, make_order, monkeypatch):
    _resolves_to(monkeypatch, "8.8.8.8")
    outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url="https://lab.example/hook")
    asked = []

    def connect(address, timeout):
        asked.append(address)
        raise ConnectionRefusedError("refused")

    monkeypatch.setattr(send.socket, "create_connection", connect)
    told(cast, make_order)
    assert deliver.deliver_due().failed == 1
    assert asked == [("8.8.8.8", 443)]


# --- the manager's deeds


def test_replay_tells_everything_since_a_moment_again(cast, lab, hook, make_order):
    since = timezone.now() - timedelta(hours=2)
    orders = [make_order(issued_at=since + timedelta(minutes=n)) for n in range(3)]
    again = {"actor": cast.manager, "branch": cast.branch, "lab": cast.lab}
    assert outbox.replay(**again, since=since + timedelta(hours=1)) == 0
    assert outbox.replay(**again, since=since) == 3
    deliver.deliver_due()
    assert [json.loads(b)["data"]["number"] for _, _, b in lab.got] == [o.number for o in orders]
    with pytest.raises(Invalid):
        outbox.replay(**again, since=timezone.now() + timedelta(hours=1))
    outbox.switch_off(**again)
    with pytest.raises(Refused):
        outbox.replay(**again, since=since)


def test_switching_off_gives_up_what_waits_and_saving_switches_on(cast, lab, hook, make_order):
    told(cast, make_order)
    for _ in range(2):
        assert not outbox.switch_off(actor=cast.manager, branch=cast.branch, lab=cast.lab).active
    assert AuditEvent.objects.filter(action="lab.webhook_off").count() == 1
    assert deliver.deliver_due() == deliver.Counts()
    assert lab.got == []
    outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url=lab.url)
    told(cast, make_order)
    assert deliver.deliver_due().delivered == 1


@pytest.mark.parametrize("who", ["trainee", "dispenser", "supervisor", "elsewhere", "foreigner"])
def test_managers_only(cast, who):
    person = getattr(cast, who)
    branch = cast.foreign_branch if who == "foreigner" else cast.branch
    with pytest.raises(NotAllowed):
        outbox.save_webhook(actor=person, branch=branch, lab=cast.lab, url="https://lab.example/")


def test_old_messages_are_dropped_and_the_trace_stays(cast, lab, hook, make_order):
    order = told(cast, make_order)
    deliver.deliver_due()
    assert deliver.forget_old(timezone.now()) == 0
    assert deliver.forget_old(timezone.now() + deliver.KEEP + timedelta(seconds=1)) == 1
    assert order.events.count() == 1


def test_the_openapi_document_names_every_message(client):
    said = client.get("/api/v1/openapi.json").json()["webhooks"]
    assert set(said) == {f"order.{kind}" for kind in outbox.TOLD}
