"""Fill an empty database with the demo scenario and say how to get in."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from orders.demo.load import Loaded, OtherRecords, load
from practice.models import Post


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--fresh", action="store_true", help="empty the demo database first")
        parser.add_argument("--address", default="http://127.0.0.1:8000", help="where the site will answer")
        parser.add_argument("--no-history", action="store_true", help="without the year before today: quicker")
        parser.add_argument("--password", default="", help="for every demo person; made up unless given")

    def handle(self, *args: Any, fresh: bool, address: str, password: str, no_history: bool, **options: Any) -> None:
        try:
            loaded = load(fresh=fresh, password=password, with_year=not no_history)
        except OtherRecords as problem:
            raise CommandError(str(problem)) from problem
        for line in told(loaded, address.rstrip("/")):
            self.stdout.write(line)


def told(loaded: Loaded, address: str) -> list[str]:
    """Who may sign in, and the lab's way in."""
    counted = ", ".join(f"{n} {name}" for name, n in loaded.counts.items() if name != "posts")
    posts = Post.objects.filter(branch__group=loaded.group).select_related("staff", "branch")
    order = [Post.Role.TRAINEE, Post.Role.DISPENSER, Post.Role.SUPERVISOR, Post.Role.MANAGER]
    lines = ["", f"Demo {'loaded' if loaded.made_now else 'found'}: {counted}.", ""]
    for post in sorted(posts, key=lambda p: (p.branch_id, order.index(Post.Role(p.role)), p.staff.username)):
        lines.append(f"  {post.staff.username:<10}{post.staff.display_name:<22}{post.role:<12}{post.branch.name}")
    lines += ["", f"  password of everybody: {loaded.password}", f"  sign in at {address}/", ""]
    for lab in loaded.group.labs.filter(active=True).order_by("-code"):
        token = loaded.tokens[lab.code]
        lines += [f"{lab.name}:", f"  curl -H 'Authorization: Bearer {token}' {address}/api/v1/orders", ""]
    return lines
