"""What comes from outside is pinned by hash and from one index; the audit tells what it found; no secret is in the repository."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from deploy.licences import faults, licence_of, pinned

ROOT = Path(__file__).parents[2]
LOCKS = ("deploy/requirements.lock", "deploy/requirements-test.lock")


@pytest.mark.parametrize("name", LOCKS)
def test_every_package_is_pinned_by_hash_and_from_the_one_index(name):
    text = re.sub(r"\\\n\s*", " ", (ROOT / name).read_text())
    lines = [line for line in text.splitlines() if line.strip() and not line.strip().startswith("#")]
    assert len(lines) > 30
    wrong = []
    for line in lines:
        if not re.fullmatch(
            r"[a-z0-9][a-z0-9._-]*(\[[a-z0-9,_-]+\])?==[^\s;]+( ; [^#]+?)?( +--hash=sha256:[0-9a-f]{64})+ *", line
        ):
            wrong.append(line[:80])
    assert wrong == [], "an index, an address, a file, or a package without version or hash"
    assert "://" not in re.sub(r"#.*", "", text)
    names = [n for n, _ in pinned(text)]
    assert len(set(names)) == len(names) == len(lines)


def test_what_the_code_asks_for_is_in_the_lock():
    import tomllib

    asked = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    plain = {re.sub(r"[-_.]+", "-", n).lower() for n, _ in pinned((ROOT / LOCKS[0]).read_text())}
    for line in asked:
        name = re.match(r"[A-Za-z0-9._-]+", line)[0]
        assert re.sub(r"[-_.]+", "-", name).lower() in plain, line
        assert "@" not in line, "from an address"


def test_licences_are_told():
    assert "BSD" in licence_of("Django")
    assert licence_of("no-such-package").startswith("?")


def audit(tmp_path, answer: str | None, rc: int):
    """./deploy/audit with a pip_audit that gives this answer."""
    stand_in = tmp_path / "pip_audit.py"
    stand_in.write_text(
        "import sys\n"
        f"answer = {answer!r}\n"
        "if answer is None: print('could not connect', file=sys.stderr)\n"
        "else: open(sys.argv[sys.argv.index('--output') + 1], 'w').write(answer)\n"
        f"sys.exit({rc})\n"
    )
    lock = tmp_path / "some.lock"
    lock.write_text("django==5.0 \\\n    --hash=sha256:" + "0" * 64 + "\n")
    environment = {**os.environ, "PYTHONPATH": str(tmp_path), "DATUMLINE_PYTHON": sys.executable}
    return subprocess.run([ROOT / "deploy/audit", lock], env=environment, capture_output=True, text=True, check=False)


def test_the_audit_says_plainly_what_it_found(tmp_path):
    fault = {"id": "GHSA-x", "fix_versions": ["5.0.1"], "aliases": [], "description": "x"}
    clean = json.dumps({"dependencies": [{"name": "django", "version": "5.0", "vulns": []}], "fixes": []})
    bad = json.dumps({"dependencies": [{"name": "django", "version": "5.0", "vulns": [fault]}], "fixes": []})
    done = audit(tmp_path, clean, 0)
    assert (done.returncode, "No known fault." in done.stdout) == (0, True)
    assert "django 5.0: BSD" in done.stdout
    done = audit(tmp_path, bad, 1)
    assert (done.returncode, "django 5.0: GHSA-x, mended in 5.0.1" in done.stdout) == (1, True)
    for answer, rc in ((None, 1), ("", 1), ("{}", 1), (clean, 2)):
        done = audit(tmp_path, answer, rc)
        assert done.returncode == 3, (answer, rc, done.stdout, done.stderr)
        assert "NOT AUDITED" in done.stderr


def test_a_package_that_was_passed_over_is_a_fault():
    assert faults(json.dumps({"dependencies": [{"name": "x", "skip_reason": "not there"}]})) == [
        "x: not looked at: not there"
    ]


# --- secrets -------------------------------------------------------------------------------------------------------------

# the forms in which such keys are written; the pieces are put together so that this file is not found itself
SECRETS = {
    "private key": r"-----BEGIN (?:[A-Z0-9]+ )*PRIVATE " + r"KEY-----",
    "age key": r"AGE-SECRET-" + r"KEY-1[A-Z0-9]{20,}",
    "access key of a cloud": r"\b(?:AKIA|ASIA)[0-9A-Z]{16}\b",
    "token of a code host": r"\b(?:gh[pousr]_[A-Za-z0-9]{36,}|github_pat_[A-Za-z0-9_]{40,}|glpat-[A-Za-z0-9_-]{20,})",
    "token of a chat": r"\bxox[abprs]-[A-Za-z0-9-]{10,}",
    "key of an index": r"\bpypi-AgEI[A-Za-z0-9_-]{40,}",
    "signed token": r"\beyJ[A-Za-z0-9_-]{15,}\.eyJ[A-Za-z0-9_-]{15,}\.[A-Za-z0-9_-]{20,}",
    "token of a lab": r"\bdl_[A-Za-z0-9_-]{43}\b",
    "address with a password": r"\b(?:postgres(?:ql)?|smtps?|https?|redis)://[^\s:/@'\"{}$<>]+:(?!password@|PASSWORD@|secret@|word@|\$|%|\{)[^\s:/@'\"{}$<>]{6,}@(?!127\.0\.0\.1|localhost|[\w.-]*\.(?:example|test|invalid)\b|example)[\w.-]+",
    "key of the site": r"DATUMLINE_SECRET_KEY[\"']?\s*[=:]\s*[\"']?(?!0123456789|for-collecting)[A-Za-z0-9+/_-]{50,}",
}
NAMES = re.compile(r"(^|/)(\.env|secret-key|id_(rsa|ed25519|ecdsa)|[^/]+\.(pem|key|p12|pfx|jks|kdbx|sqlite3))$")


def tracked() -> list[str]:
    """What the repository holds; of a tree that came without one, everything but what is made in it (dotted folders)."""
    if not (ROOT / ".git").exists():
        found = [p.relative_to(ROOT) for p in ROOT.rglob("*") if p.is_file()]
        return [str(p) for p in found if not any(part.startswith(".") for part in p.parts[:-1])]
    done = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [n for n in done.stdout.split("\0") if n]


def secrets_in(text: str) -> list[str]:
    return [what for what, pattern in SECRETS.items() if re.search(pattern, text)]


def test_no_secret_is_in_the_repository():
    found = []
    names = tracked()
    assert {"README.md", "manage.py", "deploy/settings.py"} <= set(names)
    for name in names:
        path = ROOT / name
        if NAMES.search(name):
            found.append((name, "a file of that name"))
        if path.is_file() and path.stat().st_size < 5_000_000:
            found += [(name, what) for what in secrets_in(path.read_text(errors="replace"))]
    assert found == []


@pytest.mark.parametrize(
    "text",
    [
        "-----BEGIN OPENSSH PRIVATE " + "KEY-----",
        "AGE-SECRET-" + "KEY-1" + "Q" * 50,
        "AKI" + "AIOSFODNN7EXAMPLE",
        "gh" + "p_" + "a1" * 20,
        "postgresql://datumline:" + "hunter22x" + "@db.practice.org/x",
        "DATUMLINE_SECRET_" + "KEY=" + "q1" * 30,
    ],
)
def test_a_secret_would_be_found(text):
    assert secrets_in(f"a = '{text}'")
