"""What lies in deploy/ for running for real fits together: units, proxy, containers, rules and dashboard, guide."""

from __future__ import annotations

import importlib.machinery
import importlib.util
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from deploy import environment, metrics

ROOT = Path(__file__).resolve().parent.parent.parent
DEPLOY = ROOT / "deploy"
UNITS = sorted((DEPLOY / "service").glob("*.service"))
GRANIAN = (DEPLOY / "container/Containerfile").read_text()


def unit(path: Path) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in path.read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found.setdefault(name, []).append(value)
    return found


@pytest.mark.parametrize("path", UNITS, ids=lambda p: p.name)
def test_every_unit_is_hardened_and_starts_something_that_is_there(path):
    found = unit(path)
    for name, value in {
        "NoNewPrivileges": "yes", "ProtectSystem": "strict", "ProtectHome": "yes", "PrivateTmp": "yes", "PrivateDevices": "yes",
        "CapabilityBoundingSet": "", "RestrictSUIDSGID": "yes", "RestrictNamespaces": "yes", "LockPersonality": "yes", "UMask": "0077",
        "User": "datumline", "EnvironmentFile": "/etc/datumline/datumline.env",
    }.items():  # fmt: skip
        assert found[name] == [value], name
    (start,) = found["ExecStart"]
    if "manage.py" in start:
        command = start.split("manage.py ")[1].split()[0]
        assert list(ROOT.glob(f"*/management/commands/{command}.py"))
    else:
        assert start.endswith("deploy.wsgi:application")


def test_the_server_is_asked_only_for_what_it_knows():
    pytest.importorskip("granian")
    from granian.cli import cli

    known = {option for parameter in cli.params for option in (*parameter.opts, *parameter.secondary_opts)}
    texts = [*(p.read_text() for p in UNITS if "granian" in p.read_text()), GRANIAN, (DEPLOY / "demo").read_text()]
    for text in texts:
        start = text[text.index("granian") :]
        asked = set(re.findall(r"(--[a-z][a-z0-9-]+)", start[: start.index("deploy.wsgi:application")]))
        assert asked <= known
        assert "--interface" in asked


def test_units_are_well_formed():
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("no systemd-analyze here")
    done = subprocess.run(
        [program, "verify", *UNITS, *(DEPLOY / "service").glob("*.timer")], capture_output=True, text=True
    )
    wrong = [line for line in done.stderr.splitlines() if "/deploy/service/" in line or "datumline" in line]
    assert [line for line in wrong if "is not executable" not in line] == []  # nothing is installed in /opt here


def test_the_proxy_is_well_formed(tmp_path):
    nginx = shutil.which("nginx") or (shutil.which("nginx", path="/usr/sbin"))
    openssl = shutil.which("openssl")
    if nginx is None or openssl is None:
        pytest.skip("no nginx here")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj", "/CN=x",
         "-keyout", key, "-out", certificate], check=True, capture_output=True,
    )  # fmt: skip
    site = (DEPLOY / "nginx/site.conf").read_text().replace("/etc/datumline/tls", str(tmp_path))
    site = site.replace("/var/log/nginx", str(tmp_path))
    whole = f"pid {tmp_path}/pid; error_log {tmp_path}/e.log; events {{}} http {{\n{(DEPLOY / 'nginx/upstream.conf').read_text()}\n{site}\n}}"
    (tmp_path / "nginx.conf").write_text(whole)
    done = subprocess.run([nginx, "-t", "-p", tmp_path, "-c", tmp_path / "nginx.conf"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "$request_uri" not in re.search(r"log_format.*?;\n", site, re.S).group(0)  # an address names a record


def test_the_compose_file_fits_the_settings_and_its_own_parts():
    found = yaml.safe_load((DEPLOY / "container/compose.yaml").read_text())
    services = found["services"]
    assert set(services) == {"database", "migrate", "app", "worker", "proxy"}
    for name in ("migrate", "app", "worker"):
        service = services[name]
        ours = {k for k in service["environment"] if k.startswith("DATUMLINE_")}
        assert ours <= set(environment.names())
        assert service["read_only"] is True
        assert service["cap_drop"] == ["ALL"]
        assert set(service["secrets"]) <= set(found["secrets"])
    assert services["app"]["depends_on"]["migrate"]["condition"] == "service_completed_successfully"
    # what the proxy waits for; the image's own is lost in OCI form
    assert services["proxy"]["depends_on"]["app"]["condition"] == "service_healthy"
    (asked,) = re.findall(r"^  CMD (\[.*\])$", GRANIAN, re.M)
    assert services["app"]["healthcheck"]["test"] == ["CMD", *json.loads(asked)]
    folders = re.findall(r"^COPY (\w+) \1$", GRANIAN, re.M)
    assert {"practice", "dispensing", "orders", "fixtures", "deploy"} <= set(folders)
    for volume in services["proxy"]["volumes"]:
        source = volume.split(":")[0]
        assert source == "./tls" or (DEPLOY / "container" / source).is_file()


def the_command(folder: Path, settings: str, *words: str) -> subprocess.CompletedProcess[str]:
    """`datumline` with these settings, before an interpreter that says where it was called, with what, and four settings."""
    (folder / "env").write_bytes(settings.encode())
    python = folder / "code/venv/bin/python"
    python.parent.mkdir(parents=True)
    said = " ".join(f'"${{{name}-}}"' for name in ("DATUMLINE_DATABASE_URL", "DATUMLINE_MAIL_FROM", "GRANIAN_WORKERS", "A"))
    python.write_text(f'#!/bin/sh\nprintf "%s\\n" "$PWD" "$*" {said}\n')
    python.chmod(0o755)
    script = (DEPLOY / "service/datumline").read_text()
    assert script.count("runuser -u datumline -- ") == script.count("/etc/datumline/datumline.env") == 1
    script = script.replace("runuser -u datumline -- ", "").replace("/etc/datumline/datumline.env", str(folder / "env"))
    (folder / "datumline").write_text(script)
    command = ["sh", folder / "datumline", "--from", folder / "code", *words]
    return subprocess.run(command, capture_output=True, text=True, env={"PATH": os.environ["PATH"]})


def test_the_command_reads_the_settings_as_systemd_does_and_not_as_a_script(tmp_path):
    """An & in an address would cut it short in a shell, and the command would work on another database without a word."""
    address = "postgresql://datumline@db/datumline?sslmode=verify-full&sslrootcert=/etc/x.pem"
    settings = f'# a remark\n\nDATUMLINE_DATABASE_URL={address}\nDATUMLINE_MAIL_FROM="The $(false) desk <a@b.example>"\nGRANIAN_WORKERS=2'
    done = the_command(tmp_path, settings, "lab_token", "--name", "two words")
    assert done.stdout.splitlines() == [
        str(tmp_path / "code"), "manage.py lab_token --name two words", address, "The $(false) desk <a@b.example>", "2", "",
    ], done.stderr  # fmt: skip


@pytest.mark.parametrize(
    ("line", "value"),
    [  # as systemd 252's own reader of such files gives them, asked by way of an os-release and systemd-tmpfiles
        ("  A =  a b & c  ", "a b & c"),
        ('A="a  "  ', "a  "),
        ("A='a$b'\r", "a$b"),
        ("A=a#b;c", "a#b;c"),
        ('A=a"b"', 'a"b"'),
        ("A='a\\b'", "a\\b"),
        ("A=a\nA=b", "b"),
        ("A=a=b", "a=b"),
        ('A=" a \'b "', " a 'b "),
        ("A=a\nno more than words\n ; A=c", "a"),
        ("A=", ""),
    ],
)
def test_a_setting_is_to_the_command_what_it_is_to_the_site(tmp_path, line, value):
    done = the_command(tmp_path, f"{line}\n", "jobs")
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, value), done.stderr


@pytest.mark.parametrize(
    "line", ["A=a\\b", 'A="a\\b"', 'A="a', "A=a\\\nGRANIAN_WORKERS=2", "A='a'b'", "# a remark\\", "export A=a"]
)
def test_what_systemd_would_take_otherwise_stops_the_command(tmp_path, line):
    """A key without its backslash is another key."""
    done = the_command(tmp_path, f"GRANIAN_WORKERS=1\n{line}\n", "jobs")
    assert (done.returncode, done.stdout) == (1, "")
    assert "write NAME=value" in done.stderr
    assert "a\\b" not in done.stderr


def our_figures() -> set[str]:
    """Names as Prometheus has them."""
    source = (DEPLOY / "metrics.py").read_text()
    names = set(re.findall(r'GaugeMetricFamily\(\s*"(\w+)"', source))
    for counter in (metrics.requests, metrics.errors, metrics.database_errors, metrics.orders_issued):
        names.add(f"{counter._name}_total")
    for histogram in (metrics.durations, metrics.live):
        names |= {f"{histogram._name}_{part}" for part in ("bucket", "count", "sum")}
    return names


def test_rules_and_dashboard_ask_for_figures_that_there_are():
    rules = yaml.safe_load((DEPLOY / "monitoring/alerts.yaml").read_text())["groups"][0]["rules"]
    dashboard = json.loads((DEPLOY / "monitoring/dashboard.json").read_text())
    asked = [rule["expr"] for rule in rules] + [t["expr"] for panel in dashboard["panels"] for t in panel["targets"]]
    assert len({panel["id"] for panel in dashboard["panels"]}) == len(dashboard["panels"]) >= 12
    assert all(rule["labels"]["severity"] in {"page", "day"} and rule["annotations"]["summary"] for rule in rules)
    named = set(re.findall(r"\bdatumline_\w+", "\n".join(asked)))
    assert named
    assert named <= our_figures(), named - our_figures()


def test_the_guide_runs_commands_that_there_are_and_has_its_blocks():
    loader = importlib.machinery.SourceFileLoader("try_install", str(DEPLOY / "try_install"))
    spec = importlib.util.spec_from_loader("try_install", loader)
    script = importlib.util.module_from_spec(spec)
    loader.exec_module(script)
    guide = (DEPLOY / "INSTALL.md").read_text()
    blocks = script.blocks(guide)
    assert len(blocks) == guide.count("```sh") >= 9
    for _, text in blocks:
        done = subprocess.run(["bash", "-n"], input=text, text=True, capture_output=True)
        assert done.returncode == 0, done.stderr
    for command in re.findall(r"^datumline (?:--from \S+ )?(\w+)", "\n".join(text for _, text in blocks), re.M):
        assert command in {"check", "migrate", "collectstatic"} or list(ROOT.glob(f"*/management/commands/{command}.py"))
    for command in re.findall(r"`datumline (\w+)", guide):
        assert command == "check" or list(ROOT.glob(f"*/management/commands/{command}.py")), command
    for linked in re.findall(r"\]\((\w+\.md)\)", guide):
        assert (DEPLOY / linked).exists(), linked
