"""manage.py first_manager: the first manager of a new group, let in by a link that counts once, for a day.

Asked again before the link was used it prints a new one, and the old one counts no more.
"""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any
from zoneinfo import available_timezones

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.urls import reverse

from practice import first
from practice.errors import Invalid, Refused


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--group", required=True, help="name of the group, made if it is not there")
        parser.add_argument("--branch", default="First branch", help="name of their branch, made if it is not there")
        parser.add_argument("--code", default="A", help="prefix of that branch's order numbers, up to six letters")
        parser.add_argument("--time-zone", default="", help="of the branch, e.g. Europe/London")
        parser.add_argument("--name", required=True, help="first name")
        parser.add_argument("--family", required=True, help="family name")
        parser.add_argument("--username", required=True, help="name to sign in")
        parser.add_argument("--email", default="")
        parser.add_argument("--address", default="", help="https://… of the site; else made from DATUMLINE_HOSTS")

    def handle(self, *args: Any, **given: Any) -> None:
        if given["time_zone"] and given["time_zone"] not in available_timezones():
            raise CommandError(f"{given['time_zone']} is no time zone.")
        person = {
            "username": given["username"],
            "first_name": given["name"],
            "last_name": given["family"],
            "email": given["email"],
        }
        try:
            row, token = first.first_manager(
                group=given["group"],
                branch=given["branch"],
                code=given["code"],
                person=person,
                time_zone=given["time_zone"],
            )
        except Refused as problem:
            raise CommandError(problem.message) from problem
        except Invalid as problem:
            raise CommandError("; ".join(f"{name}: {said}" for name, said in problem.errors.items())) from problem
        scheme = "https" if settings.SECURE_SSL_REDIRECT else "http"
        address = given["address"].rstrip("/") or f"{scheme}://{settings.ALLOWED_HOSTS[0].lstrip('.')}"
        hours = int(first.COUNTS_FOR.total_seconds() // 3600)
        self.stdout.write(f"{row.display_name} sets a password here, once, within {hours} hours:")
        self.stdout.write(address + reverse("practice:open_link", args=[token]))
