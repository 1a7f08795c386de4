"""The environment held against what it should be, at every start of the site and of every command (Django's system checks)."""

from __future__ import annotations

import ipaddress
import logging
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from django.conf import settings
from django.core.checks import CheckMessage, Error, Warning, register
from django.core.exceptions import ImproperlyConfigured
from django.db import DatabaseError, InterfaceError, connections

from deploy import environment, logs
from practice import database
from practice.contents import store

_FLAGS = {"0", "1", "true", "false", "yes", "no", "on", "off"}
_FLAG_NAMES = ("DATUMLINE_TLS", "DATUMLINE_DEBUG", "DATUMLINE_WEBHOOKS_PRIVATE")
_NAME = re.compile(r"\.?[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?)*\.?", re.I)
SHORTEST_KEY, FEWEST_CHARACTERS, SHORTEST_TOKEN = 50, 10, 20


def register_all() -> None:
    register(_registered)
    register(_asked, deploy=True)


def _registered(app_configs: Sequence[Any] | None = None, **kwargs: Any) -> list[CheckMessage]:
    return list(problems(os.environ))


def _asked(app_configs: Sequence[Any] | None = None, **kwargs: Any) -> list[CheckMessage]:
    """With `check --deploy`: an ordinary command does not wait for database and store."""
    return [*ask_the_databases(), *ask_the_store()]


def stop_if_wrong() -> None:
    """For servers, which run no system checks by themselves: raise ImproperlyConfigured with all that is wrong."""
    found = list(problems(os.environ))
    if not any(m.is_serious() for m in found):
        found += ask_the_store()
    wrong = [m for m in found if m.is_serious() and m.id not in settings.SILENCED_SYSTEM_CHECKS]
    for message in found:
        if message not in wrong:
            logging.getLogger("deploy.checks").warning("%s: %s %s", message.id, message.msg, message.hint or "")
    if wrong:
        raise ImproperlyConfigured(
            "The site does not start:\n" + "\n".join(f"  {m.id}: {m.msg} {m.hint or ''}" for m in wrong)
        )


def problems(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    for name, meant in environment.unknown(given):
        hint = f"Did you mean {meant}?" if meant else "All of them are in deploy/SETTINGS.md."
        yield Error(f"{name} is not a setting.", hint=hint, id="datumline.E001")
    for name in _FLAG_NAMES:
        if (value := given.get(name, "").lower()) and value not in _FLAGS:
            yield Error(f"{name} is 1 or 0, not {given[name]!r}.", id="datumline.E002")
    tls = given.get("DATUMLINE_TLS", "").lower() in {"1", "true", "yes", "on"}
    debug = given.get("DATUMLINE_DEBUG", "").lower() in {"1", "true", "yes", "on"}
    hosts = [h.strip() for h in given.get("DATUMLINE_HOSTS", "").split(",") if h.strip()]
    yield from _key(given.get("DATUMLINE_SECRET_KEY", ""), tls or any(map(is_public, hosts)))
    yield from _old_keys(given)
    yield from _hosts(hosts, tls, debug)
    yield from _networks(given)
    yield from _origins(given, tls)
    yield from _watching(given)
    yield from _local(given)
    yield from _mail(given)
    yield from _databases(given)
    yield from _contents(given)


def _key(key: str, real: bool) -> Iterator[CheckMessage]:
    if not key:
        if real:
            yield Error(
                "DATUMLINE_SECRET_KEY is not set.",
                hint="A trial makes one by itself; a site with TLS or a public name needs one that all its processes share.",
                id="datumline.E003",
            )
    elif len(key) < SHORTEST_KEY or len(set(key)) < FEWEST_CHARACTERS:
        yield Error(
            f"DATUMLINE_SECRET_KEY is too easy to guess: at least {SHORTEST_KEY} characters by chance.",
            hint="openssl rand -base64 48",
            id="datumline.E003",
        )


def _old_keys(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    for n, key in enumerate(environment.old_keys(given.get("DATUMLINE_SECRET_KEY_FALLBACKS", "")), 1):
        if len(key) < SHORTEST_KEY or len(set(key)) < FEWEST_CHARACTERS:
            yield Error(
                f"DATUMLINE_SECRET_KEY_FALLBACKS: key {n} is too easy to guess: it still opens everything signed under it.",
                hint="If it is a key with a comma in it, it was never one of this site's: take it out.",
                id="datumline.E003",
            )
        if key == given.get("DATUMLINE_SECRET_KEY", ""):
            yield Warning(
                f"DATUMLINE_SECRET_KEY_FALLBACKS: key {n} is the key itself, nothing is changed.", id="datumline.W003"
            )


def is_public(host: str) -> bool:
    """Whether a name or address can be meant for others than one's own machine or network."""
    name = host.strip().lstrip(".").lower()
    try:
        found = ipaddress.ip_address(name.strip("[]"))
        return not (found.is_private or found.is_loopback or found.is_link_local)
    except ValueError:
        pass
    return "." in name and name.rpartition(".")[2] not in {"local", "localhost", "internal", "test", "lan"}


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _hosts(hosts: list[str], tls: bool, debug: bool) -> Iterator[CheckMessage]:
    for host in hosts:
        if host == "*" or host.startswith("*"):
            yield Error(
                "DATUMLINE_HOSTS holds '*': anybody could give the site another name in links.",
                hint="Name the hosts, with commas between.",
                id="datumline.E004",
            )
        elif not (host.startswith("[") and _is_address(host.strip("[]"))) and not _NAME.fullmatch(host):
            yield Error(
                f"DATUMLINE_HOSTS: {host!r} is not a host name.",
                hint="No scheme, no port, no path; commas between names; IPv6 in brackets.",
                id="datumline.E004",
            )
    public = next((h for h in hosts if is_public(h) and not h.startswith("*")), "")
    if public and not tls:
        yield Error(
            f"{public} is a public name and DATUMLINE_TLS is off: passwords and clients' data would go in the clear.",
            hint="Put a proxy with TLS in front (deploy/INSTALL.md) and set DATUMLINE_TLS=1.",
            id="datumline.E005",
        )
    if debug and (public or tls):
        yield Error("DATUMLINE_DEBUG shows clients' data in error pages.", hint="Unset it.", id="datumline.E006")
    if tls and not hosts:
        yield Error("DATUMLINE_TLS is on and DATUMLINE_HOSTS is not set.", id="datumline.E004")


def _networks(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    for name in ("DATUMLINE_PROXIES", "DATUMLINE_METRICS_FROM"):
        for part in filter(None, (p.strip() for p in given.get(name, "").split(","))):
            try:
                network = ipaddress.ip_network(part)
            except ValueError:
                yield Error(f"{name}: {part!r} is neither an address nor a network.", id="datumline.E007")
                continue
            if network.prefixlen == 0:
                yield Error(f"{name}: {part} is everybody.", id="datumline.E007")


def _origins(given: Mapping[str, str], tls: bool) -> Iterator[CheckMessage]:
    for origin in filter(None, (o.strip() for o in given.get("DATUMLINE_ORIGINS", "").split(","))):
        if not origin.startswith(("https://", "http://")) or origin.count("/") != 2:
            yield Error(f"DATUMLINE_ORIGINS: {origin!r} is not scheme and host.", id="datumline.E008")
        elif tls and origin.startswith("http://"):
            yield Warning(f"DATUMLINE_ORIGINS: {origin} goes without TLS.", id="datumline.W008")


def _watching(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    if (level := given.get("DATUMLINE_LOG_LEVEL", "")) and level.upper() not in logs.LEVELS:
        yield Error(f"DATUMLINE_LOG_LEVEL is one of {', '.join(logs.LEVELS)}, not {level!r}.", id="datumline.E009")
    if (form := given.get("DATUMLINE_LOG", "")) and form not in {"json", "line"}:
        yield Error(f"DATUMLINE_LOG is json or line, not {form!r}.", id="datumline.E009")
    token = given.get("DATUMLINE_METRICS_TOKEN", "")
    if token and len(token) < SHORTEST_TOKEN:
        yield Error(f"DATUMLINE_METRICS_TOKEN has less than {SHORTEST_TOKEN} characters.", id="datumline.E010")
    folder = given.get("DATUMLINE_METRICS_DIR", "")
    if folder and not environment.writable(folder):
        yield Error(f"DATUMLINE_METRICS_DIR: {folder} is not a folder that can be written.", id="datumline.E010")


def _local(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    folder = given.get("DATUMLINE_LOCAL", "")
    if folder and not Path(folder).is_absolute():
        yield Error(
            f"DATUMLINE_LOCAL: {folder} is not a full path: where it is would depend on where a command is started.",
            id="datumline.E013",
        )


def _mail(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    sender = given.get("DATUMLINE_MAIL_FROM", "")
    if sender and not re.fullmatch(r"[^\x00-\x1f]*[^\s@<>]+@[^\s@<>]+>?", sender):
        yield Error(f"DATUMLINE_MAIL_FROM: {sender!r} is not an address for mail.", id="datumline.E014")


def _databases(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    """What is wrong with an address as it stands. Whether anybody answers there is another question."""
    for name in ("DATUMLINE_DATABASE_URL", "DATUMLINE_REPORTS_DATABASE_URL"):
        if not (url := given.get(name, "")):
            continue
        try:
            found = database.from_url(url)
        except ValueError as error:
            yield Error(f"{name}: {error}.", id="datumline.E015")
            continue
        if found["ENGINE"] == database.SQLITE:
            if not Path(found["NAME"]).parent.is_dir():
                yield Error(f"{name}: the folder {Path(found['NAME']).parent} is not there.", id="datumline.E015")
            continue
        if unknown := sorted(set(dict(parse_qsl(urlsplit(url).query))) - _known_to_postgresql()):
            yield Error(f"{name}: PostgreSQL knows no option {', '.join(unknown)}.", id="datumline.E015")


def _known_to_postgresql() -> set[str]:
    from psycopg import pq

    return {option.keyword.decode() for option in pq.Conninfo.get_defaults()}


def _contents(given: Mapping[str, str]) -> Iterator[CheckMessage]:
    try:
        place = environment.contents(given)
    except ValueError as error:
        yield Error(str(error), hint="deploy/STORAGE.md", id="datumline.E011")
        return
    if place is None:
        return
    host = urlsplit(place.endpoint).hostname or ""
    if place.endpoint.startswith("http://") and is_public(host):
        yield Error(
            f"DATUMLINE_S3_ENDPOINT: pictures of clients would go to {host} in the clear.",
            hint="https://",
            id="datumline.E011",
        )


def ask_the_databases() -> Iterator[CheckMessage]:
    """A server starts without its database, since that comes back by itself; who sets one up wants to know why it does not answer."""
    for alias in connections:
        try:
            connections[alias].ensure_connection()
        except (DatabaseError, InterfaceError) as error:
            setting = "DATUMLINE_REPORTS_DATABASE_URL" if alias == "reports" else "DATUMLINE_DATABASE_URL"
            yield Warning(f"{setting}: {' '.join(str(error).split())}", id="datumline.W015")


def ask_the_store() -> Iterator[CheckMessage]:
    """The store asked whether it takes us. What is set wrong is an error; a store that is away is not: all else can be done meanwhile."""
    if settings.CONTENTS is None:
        return
    try:
        store.current().look()
    except store.Wrong as wrong:
        yield Error(wrong.why, hint="deploy/STORAGE.md; manage.py verify_contents --probe", id="datumline.E012")
    except store.Away as away:
        yield Warning(away.why, hint="Pictures and received documents wait for it; the rest works.", id="datumline.W012")
