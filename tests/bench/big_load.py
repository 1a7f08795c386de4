"""The writing half of `big_group`: plan rows go into scratch tables, and INSERT … SELECT copies the templates' rows over them."""

from __future__ import annotations

import functools
import hashlib
import json
import re
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.core.management.color import no_style
from django.db import connection, connections, models, transaction

from dispensing.models import Adoption, Dispense, Prescription, PrescriptionEye, Reading, Reason, Signature
from orders import document as doc
from orders import guard
from orders.models import Collection, FeedHead, NumberSeries, Order, OrderEvent, Question, ReceiptCheck, ReturnVisit
from practice import audit_guard
from practice.models import AuditEvent, AuditHead, Client, Staff
from practice.models_names import learn
from tests.bench.big_group import LEVEL, SECONDS, Chain, Counters, later
from tests.bench.big_pairs import KINDS, People
from tests.bench.big_plan import ORDER_LEVELS, Made, person, reference

BIG: tuple[type[models.Model], ...] = (
    Client,
    Prescription,
    PrescriptionEye,
    Dispense,
    Reading,
    Adoption,
    Reason,
    Signature,
    Order,
    OrderEvent,
    ReceiptCheck,
    Collection,
    ReturnVisit,
    AuditEvent,
)
_TEMPLATE = (
    "dispense bigint, orders bigint, prescription bigint, person bigint, signer bigint, first_text text, second_text text"
)
_DISPENSE = (
    "i bigint, id bigint, template bigint, prescription bigint, client bigint, branch bigint, person bigint, signer bigint, "
    "other bigint, reference text, state text, signed int, created {moment}, written {day}, earlier bigint"
)
_ORDER = (
    "id bigint, dispense bigint, template bigint, branch bigint, person bigint, signer bigint, other bigint, number text, lab bigint, "
    "place bigint, state text, level int, waiting {flag}, issued {moment}, sha text, args {args}, replaces bigint, "
    "cancelled {moment}, reason text, promised {day}, sent_back {moment}, pace double precision, outcome text, cause text, bears text"
)
_EVENT = "orders bigint, event bigint, level int, seconds bigint, kind text"


@functools.cache
def _pieces(text: str) -> tuple[str | int, ...]:
    """A format cut where something is put in: texts, and the places of values."""
    found = re.split(r"%(\d+\$s|%)", text)
    return tuple(p if n % 2 == 0 else "%" if p == "%" else int(p[:-2]) - 1 for n, p in enumerate(found))


def put_in(text: str, values: list[str]) -> str:
    """What `format` does in PostgreSQL: %3$s is the third of the values, %% a per cent sign."""
    return "".join(p if isinstance(p, str) else values[p] for p in _pieces(text))


def fill(text: str, args: str) -> str:
    """The same for SQLite; the values as a JSON list."""
    return put_in(text, json.loads(args))


@functools.lru_cache(4096)
def inner(text: str) -> str:
    """As it stands between the quotation marks of canonical JSON."""
    return json.dumps(text, ensure_ascii=False)[1:-1]


class Loader:
    def __init__(self, people: People, made: dict[str, list[Order]]) -> None:
        self.people, self.pg = people, connection.vendor == "postgresql"
        self.pools: dict[tuple[str, bool], list[Order]] = {}
        for kind in KINDS:
            for order in made[kind]:
                self.pools.setdefault((kind, order.dispense.signatures.exists()), []).append(order)
        for kind in KINDS:  # a small run may have no trainee's pair of a kind
            for signed in (False, True):
                if not self.pools.get((kind, signed)):
                    self.pools[kind, signed] = next(v for (_, s), v in self.pools.items() if s is signed and v)
        head = AuditHead.objects.get(group=people.group)
        self.chain = Chain(people.group.pk, head.sequence, head.digest)
        self.counters = Counters(
            dict(NumberSeries.objects.values_list("branch_id", "last")),
            dict(FeedHead.objects.values_list("lab_id", "last")),
        )
        self.first = {m: (m._default_manager.aggregate(n=models.Max("pk"))["n"] or 0) + 1 for m in BIG}
        self.next_order = self.first[Order]
        self.codes = {t.branch.pk: t.branch.code for t in people.teams}
        self.kinds: list[str] = []  # of each client
        everybody = (s for t in people.teams for s in (t.manager, *t.supervisors, *t.dispensers, t.trainee))
        self.names = {s.pk: s.display_name for s in everybody}
        self.texts: dict[int, tuple[str, str]] = {}
        self._orders_of: dict[int, int] = {}
        self._scratch(made)

    # --- around it --------------------------------------------------------------------------------------------------------

    def _run(self, sql: str, values: Any = None) -> None:
        with connection.cursor() as cursor:
            cursor.execute(sql, values)

    def _scratch(self, made: dict[str, list[Order]]) -> None:
        kinds = (
            {"moment": "timestamptz", "day": "date", "flag": "boolean", "args": "text[]"}
            if self.pg
            else {"moment": "text", "day": "text", "flag": "bool", "args": "text"}
        )
        for name, columns in (("template", _TEMPLATE), ("dispense", _DISPENSE), ("order", _ORDER), ("event", _EVENT)):
            self._run(f"CREATE TEMPORARY TABLE big_{name} ({columns.format(**kinds)})")
        templates, events = [], []
        for order in (o for each in made.values() for o in each):
            dispense = order.dispense
            signature = dispense.signatures.filter(decision="signed").first()
            first, second = self._formats(order)
            self.texts[order.pk] = first, second
            self._orders_of[dispense.pk] = order.pk
            templates.append(
                (
                    dispense.pk,
                    order.pk,
                    dispense.prescription_id,
                    dispense.dispenser_id,
                    signature and signature.by_id,
                    first,
                    second,
                )
            )
            events += [(order.pk, e.pk, LEVEL[e.kind], SECONDS[e.kind], e.kind) for e in order.events.all()]
        self.write("big_template", templates)
        self.write("big_event", events)

    def _formats(self, order: Order) -> tuple[str, str]:
        """The template's document with places to fill, as a first order and as one that replaces another."""
        content = json.loads(order.document)
        mark = iter(f"@@{n}@@" for n in range(1, 30))
        content["order"] |= {"number": next(mark), "dispense": next(mark), "issued_at": next(mark)}
        content["client"]["reference"] = next(mark)
        for part in ("branch", "lab"):
            content[part] |= {"code": next(mark), "name": next(mark), "address": next(mark)}
        for who in ("dispensed_by", "signed_by", "issued_by"):
            both = next(mark), next(mark)
            if content["people"][who] is not None:
                content["people"][who]["name"] = both[0]
                if content["people"][who]["registration_number"] is not None:
                    content["people"][who]["registration_number"] = both[1]
        content["prescription"]["written_on"] = next(mark)
        texts = []
        for replaced in (None, {"number": next(mark), "reason": "Made again after a return visit."}):
            content["order"]["replaces"] = replaced
            texts.append(re.sub(r"@@(\d+)@@", r"%\1$s", doc.canonical(content).replace("%", "%%")))
        return texts[0], texts[1]

    @contextmanager
    def set_aside(self) -> Iterator[None]:
        """Guards, foreign key checks and secondary indexes away while rows pour in; all of it back afterwards."""
        dropped: list[str] = []
        if not self.pg:
            connection.connection.create_function("fill", 2, fill, deterministic=True)
            self._run("PRAGMA foreign_keys=OFF")
        else:
            for setting in (
                "statement_timeout=0",
                "lock_timeout=0",
                "default_toast_compression=lz4",
                "maintenance_work_mem='512MB'",
            ):
                self._run(f"SET {setting}")
            tables = [m._meta.db_table for m in BIG]
            with connection.cursor() as cursor:
                cursor.execute(
                    "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = current_schema() AND tablename = ANY(%s) AND indexname "
                    "NOT IN (SELECT conname FROM pg_constraint)",
                    [tables],
                )
                for name, definition in cursor.fetchall():
                    cursor.execute(f'DROP INDEX "{name}"')
                    dropped.append(definition)
                for table in tables:  # new rows compressed the quick way
                    cursor.execute(f'ALTER TABLE "{table}" SET (autovacuum_enabled = false)')
        guard.remove()
        audit_guard.remove()
        self._free_of_keys(True)
        try:
            yield
        finally:
            self._free_of_keys(False)
            self._side_by_side(dropped)
            if self.pg:
                for model in BIG:
                    self._run(f'ALTER TABLE "{model._meta.db_table}" RESET (autovacuum_enabled)')
            else:
                self._run("PRAGMA foreign_keys=ON")
            guard.install()
            audit_guard.install()

    def _side_by_side(self, statements: list[str]) -> None:
        """Two at a time, each on a connection of its own."""

        def one(statement: str) -> None:
            with connection.get_new_connection(connection.get_connection_params()) as own:
                own.autocommit = True
                own.execute("SET statement_timeout = 0")
                own.execute("SET maintenance_work_mem = '512MB'")
                own.execute(statement)

        with ThreadPoolExecutor(2) as two:
            list(two.map(one, statements))

    def _free_of_keys(self, free: bool) -> None:
        if not self.pg:
            return
        with connection.cursor() as cursor:
            cursor.execute("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
            if cursor.fetchone()[0]:  # else every key is checked: slower, and as good
                cursor.execute(f"SET session_replication_role = {'replica' if free else 'origin'}")

    def finish(self) -> None:
        for branch, last in self.counters.series.items():
            NumberSeries.objects.update_or_create(branch_id=branch, defaults={"last": last})
        for lab, last in self.counters.feeds.items():
            FeedHead.objects.update_or_create(lab_id=lab, defaults={"last": last})
        AuditHead.objects.filter(group=self.people.group).update(sequence=self.chain.sequence, digest=self.chain.digest)
        for name in ("template", "dispense", "order", "event"):
            self._run(f"DROP TABLE big_{name}")
        with connection.cursor() as cursor:
            for sql in connection.ops.sequence_reset_sql(no_style(), list(BIG)):
                cursor.execute(sql)
        if self.pg:
            self._side_by_side([f'VACUUM (ANALYZE) "{model._meta.db_table}"' for model in BIG])
        self._run("ANALYZE")

    def sizes(self) -> dict[str, Any]:
        found: dict[str, Any] = {}
        with connection.cursor() as cursor:
            for model in BIG:
                table = model._meta.db_table
                cursor.execute(f'SELECT count(*) FROM "{table}"')
                row: dict[str, Any] = {"rows": cursor.fetchone()[0]}
                if self.pg:
                    cursor.execute("SELECT pg_table_size(%s), pg_indexes_size(%s)", [table, table])
                    heap, indexes = cursor.fetchone()
                    row |= {"table_mb": heap >> 20, "indexes_mb": indexes >> 20}
                found[table] = row
            if self.pg:
                cursor.execute("SELECT pg_database_size(current_database())")
                found["database_mb"] = cursor.fetchone()[0] >> 20
        return found

    # --- rows from Python ---------------------------------------------------------------------------------------------------

    def write(self, table: str, rows: Iterable[tuple[Any, ...]], columns: Iterable[str] = ()) -> None:
        quoted = ", ".join(f'"{c}"' for c in columns)
        named = f" ({quoted})" if quoted else ""
        with connection.cursor() as cursor:
            if self.pg:
                with cursor.copy(f'COPY "{table}"{named} FROM STDIN') as copy:
                    for row in rows:
                        copy.write_row(row)
                return
            plain = [tuple(_sqlite(v) for v in row) for row in rows]
            if plain:
                marks = ", ".join(["?"] * len(plain[0]))
                cursor.connection.executemany(f'INSERT INTO "{table}"{named} VALUES ({marks})', plain)

    def clients(self, count: int) -> None:
        """`search_name` and `phone_digits` as the model makes them."""
        from practice.words import digits_of, fold

        first = self.first[Client]
        fields = list(Client._meta.concrete_fields)
        now = datetime.now(UTC)
        folded: dict[str, str] = {}

        def rows() -> Iterator[tuple[Any, ...]]:
            for number in range(count):
                who = person(number)
                self.kinds.append(who.kind)
                for part in (who.given, who.family):
                    if part not in folded:
                        folded[part] = fold(part)
                known = {
                    "id": first + number,
                    "group_id": self.people.group.pk,
                    "branch_id": self.people.teams[number % len(self.people.teams)].branch.pk,
                    "reference": reference("C", number),
                    "given_name": who.given,
                    "family_name": who.family,
                    "search_name": f"{folded[who.family]} {folded[who.given]}",
                    "date_of_birth": who.born,
                    "phone": who.phone,
                    "phone_digits": digits_of(who.phone),
                    "address": f"{number % 89 + 1} Lime Kiln Hill",
                    "created_at": now - timedelta(days=1500),
                }
                yield tuple(
                    known[f.column] if f.column in known else f.get_db_prep_save(f.get_default(), connection)
                    for f in fields
                )

        with transaction.atomic():
            self.write(Client._meta.db_table, rows(), [f.column for f in fields])
            learn(folded.values())

    @contextmanager
    def beside(self) -> Iterator[Callable[..., Future[None]]]:
        """Something that begins a deed of the database; on PostgreSQL beside this thread, on the same connection, which nobody else uses
        until the deed is done."""
        if not self.pg:

            def at_once(deed: Callable[..., None], *arguments: Any) -> Future[None]:
                done: Future[None] = Future()
                done.set_result(deed(*arguments))
                return done

            yield at_once
            return
        ours = connections["default"]
        ours.inc_thread_sharing()
        with ThreadPoolExecutor(1, initializer=lambda: connections.__setitem__("default", ours)) as pool:
            yield pool.submit
        ours.dec_thread_sharing()

    def drawn(self, chunk: list[Made]) -> tuple[list[Any], list[Any], list[Question], list[tuple[Any, ...]]]:
        """The rows of these dispenses, their orders, questions, and of the audit trail as far as they go."""
        orders: list[Any] = []
        questions: list[Question] = []
        dispenses = [self._dispense(made, orders, questions) for made in chunk]
        return dispenses, orders, questions, list(self.chain.due(chunk[-1].created))

    def store(self, rows: tuple[list[Any], list[Any], list[Question], list[tuple[Any, ...]]]) -> None:
        dispenses, orders, questions, told = rows
        with transaction.atomic():
            self._run("DELETE FROM big_dispense")
            self._run("DELETE FROM big_order")
            self.write("big_dispense", dispenses)
            self.write("big_order", orders)
            self._copy_dispenses()
            self._copy_orders()
            Question.objects.bulk_create(questions)
            self._audit(told)

    def end_of_audit(self) -> None:
        with transaction.atomic():
            self._audit(self.chain.due(None))

    def _audit(self, rows: Iterable[tuple[Any, ...]]) -> None:
        fields = {f.name: f for f in AuditEvent._meta.concrete_fields if not f.primary_key}
        rest = [name for name in fields if name not in Chain.COLUMNS]
        same = tuple(fields[name].get_default() for name in rest)
        self.write(
            AuditEvent._meta.db_table,
            (row + same for row in rows),
            [fields[name].column for name in (*Chain.COLUMNS, *rest)],
        )

    def _dispense(self, made: Made, orders: list[Any], questions: list[Question]) -> tuple[Any, ...]:
        teams = self.people.teams
        team = teams[made.client % len(teams)]
        by_trainee = made.state in ("waiting", "signed", "returned") or (made.state != "open" and made.dice < 0.2)
        pool = self.pools[self.kinds[made.client], by_trainee]
        template = pool[(made.client * 7 + made.i) % len(pool)]
        who = team.trainee if by_trainee else team.dispensers[made.i % 2]
        signer = team.supervisors[0]
        first = self.first
        key, client = first[Dispense] + made.i, first[Client] + made.client
        ref = reference("D", made.i)
        name = self.names[who.pk]
        self.chain.add(
            made.created, team.branch.pk, client, who.pk, name, "dispense.started", f"dispense {ref}", {}, {"state": "open"}
        )
        if made.level >= 0:
            self._order(made, template, team, who, signer, key, ref, orders, questions)
        signed = {"waiting": 1, "returned": 1, "open": 0}.get(made.state, 2)
        state = "open" if made.cancelled_order else made.state
        return (
            made.i, key, template.dispense_id, first[Prescription] + made.i, client, team.branch.pk, who.pk, signer.pk,
            team.dispensers[0].pk, ref, state, signed, made.created, (made.created - timedelta(days=6)).date(),
            first[Dispense] + made.earlier if made.earlier else None,
        )  # fmt: skip

    def _order(self, made: Made, template: Order, team: Any, who: Staff, signer: Staff, key: int, ref: str, orders: list[Any],
               questions: list[Question]) -> None:  # fmt: skip
        branch, labs = team.branch, self.people.labs
        lab = labs[(branch.pk + (made.i % 4 == 0)) % len(labs)]
        trainee = template.dispense.dispenser_id != who.pk and who.pk == team.trainee.pk
        issuer = signer if trainee else who
        replaced, number = None, ""
        for round_ in (0, 1) if made.again else (0,):
            issued = made.created + timedelta(minutes=25, days=40 * round_)
            last, replaces_number = round_ == int(made.again), number
            number = self.counters.number(branch.pk, self.codes[branch.pk])
            text = self.texts[template.pk][round_]
            args = [inner(v) for v in (
                number, ref, issued.strftime("%Y-%m-%dT%H:%M:%SZ"), reference("C", made.client),
                branch.code, branch.name, branch.address, lab.code, lab.name, lab.address,
                self.names[who.pk], who.registration_number, self.names[signer.pk], signer.registration_number,
                self.names[issuer.pk], issuer.registration_number, (made.created - timedelta(days=6)).date().isoformat(),
                replaces_number,
            )]  # fmt: skip
            sha = hashlib.sha256(put_in(text, args).encode()).hexdigest()
            level = 7 if made.again and not last else min(made.level, 6) if made.again else made.level
            state = (
                "returned"
                if made.again and not last
                else "cancelled"
                if made.cancelled_order
                else ORDER_LEVELS[min(level, 6)]
            )
            promised = (issued + timedelta(days=5 + int(made.dice * 4))).date() if level >= 2 else None
            back = made.back if level == 7 else ""
            orders.append((
                self.next_order, key, template.pk, branch.pk, who.pk, signer.pk, team.dispensers[0].pk, number, lab.pk,
                self.counters.place(lab.pk), state, level, state in ("issued", "cancelled"), issued, sha,
                args, replaced, later(issued, "promised", made.pace) if made.cancelled_order else None,
                "The client has changed their mind." if made.cancelled_order else "Made again." if state == "returned" else "",
                promised, later(issued, "received", made.pace) - timedelta(days=2) if made.rejected and last else None,
                made.pace, back, made.cause if back else "", ("branch", "lab")[made.i % 2] if back == "remake" else "",
            ))  # fmt: skip
            client = self.first[Client] + made.client
            self.chain.add(
                issued, branch.pk, client, issuer.pk, self.names[issuer.pk], "order.issued", f"order {number}",
                {"dispense": "signed" if trainee else "open"}, {"dispense": "ordered", "lab": lab.code, "sha256": sha},
            )  # fmt: skip
            if level >= 6:
                self.chain.add(
                    later(issued, "collected", made.pace), branch.pk, client, team.dispensers[0].pk, self.names[team.dispensers[0].pk],
                    "collection.recorded", f"order {number}", {"dispense": "ordered"}, {"dispense": "collected"},
                )  # fmt: skip
            if made.questions:
                questions.append(
                    Question(
                        order_id=self.next_order, text="Is the base curve wish firm?", asked_at=later(issued, "promised", 1)
                    )
                )
            replaced = self.next_order
            self.next_order += 1

    # --- rows from rows -----------------------------------------------------------------------------------------------------

    def _person(self, column: str) -> str:
        return (
            f'CASE WHEN x."{column}" IS NULL THEN NULL WHEN x."{column}" = t.person THEN p.person '
            f'WHEN x."{column}" = t.signer THEN p.signer ELSE p.other END'
        )

    def _later(self, column: str, seconds: str) -> str:
        if self.pg:
            return f"{column} + ({seconds}) * interval '1 second'"
        return f"strftime('%Y-%m-%d %H:%M:%f', {column}, ({seconds}) || ' seconds')"

    def _set(self, key: str, value: str) -> str:
        return f"jsonb_set(x.data, '{{{key}}}', to_jsonb({value}))" if self.pg else f"json_set(x.data, '$.{key}', {value})"

    def _copy(self, model: type[models.Model], source: str, **changed: str) -> None:
        """Rows of `model` again, with other values in the columns of `changed`; its own key anew unless given."""
        columns, values = [], []
        for field in model._meta.concrete_fields:
            name = field.column
            if field.primary_key and name not in changed:
                continue
            columns.append(f'"{name}"')
            if name in changed:
                values.append(changed[name])
            elif isinstance(field, models.ForeignKey) and field.remote_field.model is Staff:
                values.append(self._person(name))
            else:
                values.append(f'x."{name}"')
        table = model._meta.db_table
        self._run(
            f'INSERT INTO "{table}" ({", ".join(columns)}) SELECT {", ".join(values)} FROM {source.format(table=table)}'
        )

    def _copy_dispenses(self) -> None:
        joined = "big_dispense p JOIN big_template t ON t.dispense = p.template JOIN {table} x ON x."
        at = self._later("p.created", "600")
        self._copy(Prescription, joined + "id = t.prescription", id="p.prescription", client_id="p.client",
                   written_on="p.written", created_at="p.created")  # fmt: skip
        self._copy(
            PrescriptionEye,
            joined + "prescription_id = t.prescription ORDER BY p.i, x.id",
            prescription_id="p.prescription",
        )
        self._copy(
            Dispense, joined + "id = t.dispense", id="p.id", reference="p.reference", branch_id="p.branch", client_id="p.client",
            state="p.state", created_at="p.created", updated_at=self._later("p.created", "1500"), earlier_id="p.earlier",
            prescription_id="p.prescription", fit_confirmed_at=at,
        )  # fmt: skip
        of = joined + "dispense_id = t.dispense"
        for model in (Reading, Adoption, Reason):
            self._copy(model, of + " ORDER BY p.i, x.id", dispense_id="p.id", at=at)
        done = "(x.decision = 'submitted' AND p.signed >= 1 OR x.decision = 'signed' AND p.signed >= 2)"
        self._copy(Signature, f"{of} WHERE {done} ORDER BY p.i, x.id", dispense_id="p.id",
                   at=self._later("p.created", "CASE x.decision WHEN 'signed' THEN 1400 ELSE 1200 END"))  # fmt: skip
        self._copy(Signature, f"{of} WHERE p.state = 'returned' AND x.decision = 'submitted'", dispense_id="p.id", decision="'returned'",
                   at=self._later("p.created", "1400"), comment="'Look at the heights again.'", by_id="p.signer")  # fmt: skip

    def _copy_orders(self) -> None:
        joined = "big_order p JOIN big_template t ON t.orders = p.template JOIN {table} x ON x."
        text = "CASE WHEN p.replaces IS NULL THEN t.first_text ELSE t.second_text END"
        made = f"format({text}, VARIADIC p.args)" if self.pg else f"fill({text}, p.args)"
        lateral = "CROSS JOIN LATERAL" if self.pg else "JOIN"
        made_of = f"(SELECT {made} AS made) d" if self.pg else ""
        if not self.pg:
            lateral = ""
        first_receipt, first_visit = self.first[ReceiptCheck], self.first[ReturnVisit]
        receipt, visit = f"{first_receipt} + 2 * p.id", f"{first_visit} + p.id"
        arrived, decided = (self._later("p.issued", f"{SECONDS[k]} * p.pace") for k in ("received", "passed"))
        source = f"big_order p JOIN big_template t ON t.orders = p.template JOIN {{table}} x ON x.id = t.orders {lateral} {made_of} ORDER BY p.id"
        self._copy(
            Order, source, id="p.id", branch_id="p.branch", lab_id="p.lab", dispense_id="p.dispense", number="p.number",
            state="p.state", feed_position="p.place", waiting="p.waiting", document="d.made" if self.pg else made,
            document_sha256="p.sha", issued_at="p.issued", issued_by_id="CASE WHEN t.signer IS NULL THEN p.person ELSE p.signer END",
            replaces_id="p.replaces", cancelled_at="p.cancelled", cancel_reason="p.reason", promised_on="p.promised",
            rejected_at="p.sent_back", reject_reason="CASE WHEN p.sent_back IS NULL THEN '' ELSE 'Axis of the right lens is off.' END",
            fetched_at=f"CASE WHEN p.level >= 1 THEN {self._later('p.issued', '1800')} END",
        )  # fmt: skip
        events = "big_order p JOIN big_template t ON t.orders = p.template JOIN big_event e ON e.orders = p.template AND e.level <= p.level "
        events += "JOIN {table} x ON x.id = e.event"
        data = (
            f"CASE e.kind WHEN 'issued' THEN {self._set('sha256', 'p.sha')} WHEN 'checked' THEN {self._set('check', receipt)} "
            f"WHEN 'passed' THEN {self._set('check', receipt)} WHEN 'return_visit' THEN {self._set('visit', visit)} "
            f"WHEN 'return_decided' THEN {self._set('visit', visit)} ELSE x.data END"
        )
        self._copy(OrderEvent, events + " ORDER BY p.id, x.id", order_id="p.id", at=self._later("p.issued", "e.seconds * p.pace"), data=data,
                   by_lab_id="CASE WHEN x.by_lab_id IS NULL THEN NULL ELSE p.lab END")  # fmt: skip
        of = joined + "order_id = t.orders"
        open_ = "p.level = 4"
        self._copy(
            ReceiptCheck, f"{of} WHERE p.level >= 4", id=receipt, order_id="p.id", at=arrived,
            decision=f"CASE WHEN {open_} THEN '' ELSE 'passed' END", decided_at=f"CASE WHEN {open_} THEN NULL ELSE {decided} END",
            decided_by_id=f"CASE WHEN {open_} THEN NULL ELSE p.other END",
        )  # fmt: skip
        self._copy(
            ReceiptCheck, f"{of} WHERE p.sent_back IS NOT NULL", id=f"{receipt} + 1", order_id="p.id", at="p.sent_back", outcome="'outside'",
            decision="'rejected'", decided_at="p.sent_back", reason="'Axis of the right lens is off.'",
        )  # fmt: skip
        self._copy(
            Collection,
            f"{of} WHERE p.level >= 6",
            order_id="p.id",
            at=self._later("p.issued", f"{SECONDS['collected']} * p.pace"),
        )
        self._copy(
            ReturnVisit, f"{of} WHERE p.level >= 7", id=visit, order_id="p.id", outcome="p.outcome", cause="p.cause", bears="p.bears",
            **{c: self._later("p.issued", f"{SECONDS[k]} * p.pace") for c, k in (("at", "return_visit"), ("decided_at", "return_decided"))},
        )  # fmt: skip


def _sqlite(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(value) if isinstance(value, list | dict) else value
