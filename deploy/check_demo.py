"""Start the demo on a free port, look at the main pages and the lab feed as people would, print what was seen, stop.

Standard library only, so that what is shown is plain HTTP. Exit code 0 only when everything answered as it should.
"""

from __future__ import annotations

import http.cookiejar
import json
import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOCAL = Path(os.environ["DATUMLINE_LOCAL"])


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def main() -> int:
    people = (LOCAL / "demo-people.txt").read_text()
    credentials = re.search(r"^\s*(\S+)\s+(.+?)\s{2,}trainee", people, re.M)
    password = re.search(r"password[^:]*:\s*(.+)$", people, re.M | re.I)
    token = re.search(r"Bearer\s+([^\s\"']+)", people)
    if not (credentials and password and token):
        print("the demo did not print its people and its lab token")
        return 1
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    granian = Path(sys.executable).parent / "granian"
    log = (LOCAL / "server.log").open("w")
    server = subprocess.Popen(
        [granian, "--interface", "wsgi", "--host", "127.0.0.1", "--port", str(port), "--workers", "1", "deploy.wsgi:application"],
        cwd=ROOT, stdout=log, stderr=log,
    )  # fmt: skip
    jar = http.cookiejar.CookieJar()
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(jar))
    problems = 0

    def fetch(
        label: str,
        path: str,
        *,
        must: str = "",
        headers: dict[str, str] | None = None,
        data: dict[str, str] | None = None,
        status: int = 200,
    ) -> str:
        nonlocal problems
        body = urllib.parse.urlencode(data).encode() if data else None
        request = urllib.request.Request(base + path, data=body, headers={"Referer": base + path, **(headers or {})})  # noqa: S310
        started = time.perf_counter()
        try:
            with opener.open(request, timeout=20) as answer:
                code, text = answer.status, answer.read().decode("utf-8", "replace")
        except urllib.error.HTTPError as error:
            code, text = error.code, error.read().decode("utf-8", "replace")
        ms = (time.perf_counter() - started) * 1000
        good = code == status and must in text
        problems += not good
        print(f"{'ok ' if good else 'BAD'} {code} {len(text):>7} characters {ms:7.1f} ms  {label}  {path}")
        return text

    try:
        for _ in range(100):
            try:
                with socket.create_connection(("127.0.0.1", port), timeout=1):
                    break
            except OSError:
                time.sleep(0.1)
        page = fetch("sign-in page", "/sign-in/", must="Sign in")
        found = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
        fetch(
            "signing in",
            "/sign-in/",
            data={
                "username": credentials.group(1),
                "password": password.group(1).strip(),
                "csrfmiddlewaretoken": found.group(1) if found else "",
            },
        )
        today = fetch("today", "/", must="Today")
        fetch("clients", "/clients/", must="Clients")
        fetch("orders", "/orders/", must="Orders")
        fetch("bench", "/bench/", must="Bench")
        fetch("checks", "/checks/", must="Checks")
        sheet = re.search(r'href="(/dispenses/[^/"]+/)"', today)
        if sheet:
            fetch("a dispense", sheet.group(1), must="Prescription")
        else:
            print("BAD no dispense is linked from the start page")
            problems += 1
        bearer = {"Authorization": f"Bearer {token.group(1)}"}
        feed = fetch("lab feed", "/api/v1/orders", headers=bearer)
        orders = json.loads(feed).get("orders", [])
        print(f"    {len(orders)} orders wait for this lab")
        if orders:
            fetch("one order as JSON", f"/api/v1/orders/{orders[0]['number']}.json", headers=bearer)
        else:
            problems += 1
        fetch("lab feed without a token", "/api/v1/orders", status=401)
        fetch("a page that is not there", "/dispenses/D-NOWHERE/", status=404)
    finally:
        server.terminate()
        server.wait(timeout=10)
        log.close()
    print("everything answered as it should" if not problems else f"{problems} did not answer as they should")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
