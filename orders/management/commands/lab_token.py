"""manage.py lab_token: make, list and revoke the tokens of a lab."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from orders import labs
from orders.models import Lab, LabToken
from practice.errors import Invalid, UseCaseError


class Command(BaseCommand):
    help = "Make a token for a lab (shown once), list its tokens, or revoke one."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("lab", help="code of the lab")
        parser.add_argument("--group", type=int, help="number of the group, where two groups use the same lab code")
        parser.add_argument("--label", default="", help="what the token is for")
        parser.add_argument("--days", type=int, help="days until it ends; without, it has no end")
        parser.add_argument("--scope", action="append", choices=labs.SCOPES, help="may be given twice; default: both")
        parser.add_argument("--instead-of", metavar="PREFIX", help="the token that is revoked with it, where two are valid")
        parser.add_argument("--list", action="store_true", help="list the lab's tokens and make none")
        parser.add_argument("--revoke", metavar="PREFIX", help="revoke the token that starts so")

    def handle(self, *args: Any, **options: Any) -> None:
        found = Lab.objects.filter(code=options["lab"])
        if options["group"]:
            found = found.filter(group_id=options["group"])
        if len(found) != 1:
            raise CommandError("No such lab." if not found else "More than one group has a lab of this code: give --group.")
        lab = found[0]
        if options["list"]:
            for row in lab.tokens.order_by("created_at"):
                state = "revoked" if row.revoked_at else f"ends {row.expires_at:%Y-%m-%d}" if row.expires_at else "no end"
                used = f"{row.last_used_at:%Y-%m-%d %H:%M}" if row.last_used_at else "never"
                self.stdout.write(f"{row.prefix}…  {row.label or '-'}  {' '.join(row.scopes)}  {state}  last used {used}")
            return
        if options["revoke"]:
            labs.revoke_token(token=_one(lab, options["revoke"]))
            self.stdout.write("Revoked.")
            return
        try:
            new = labs.create_token(
                lab=lab,
                label=options["label"],
                scopes=options["scope"] or labs.SCOPES,
                instead_of=_one(lab, options["instead_of"]).pk if options["instead_of"] else None,
                expires_at=timezone.now() + timedelta(days=options["days"]) if options["days"] is not None else None,
            )
        except UseCaseError as error:
            hint = " (--instead-of PREFIX)" if isinstance(error, Invalid) and "instead_of" in error.errors else ""
            words = " ".join(error.errors.values()) if isinstance(error, Invalid) else str(error)
            raise CommandError(words + hint) from error
        self.stdout.write(new.text)


def _one(lab: Lab, prefix: str) -> LabToken:
    matching = list(LabToken.objects.filter(lab=lab, prefix__startswith=prefix))
    if len(matching) != 1:
        raise CommandError(f"{len(matching)} tokens of this lab start so.")
    return matching[0]
