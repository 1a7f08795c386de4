"""What the pages for newcomers and administrators name is there: files, links, commands, functions, people of the demo, counts."""

from __future__ import annotations

import json
import re
import subprocess
from functools import cache
from pathlib import Path, PurePosixPath

import pytest

from dispensing.checks import registry

ROOT = Path(__file__).resolve().parents[2]
PAGES = [
    "README.md",
    "DEVELOPERS.md",
    *sorted(f"deploy/{p.name}" for p in (ROOT / "deploy").glob("*.md")),
    "tests/reference/README.md",
]
DJANGO = {"migrate", "check", "collectstatic", "makemigrations"}
OUTSIDE = ("/", "10.", "practice-records/", ".local/")  # of a server, an address, a bucket in an example, what is made here
PACKAGES = ("practice", "dispensing", "orders", "tests", "fixtures", "deploy")


@cache
def tracked() -> tuple[frozenset[str], frozenset[str]]:
    asked = ["git", "-C", str(ROOT), "ls-files", "--cached", "--others", "--exclude-standard"]
    done = subprocess.run(asked, capture_output=True, text=True, check=True)
    files = frozenset(name for name in done.stdout.splitlines() if (ROOT / name).exists())
    return files, frozenset(str(p) for name in files for p in PurePosixPath(name).parents)


@cache
def commands() -> set[str]:
    return DJANGO | {p.stem for name in PACKAGES for p in (ROOT / name).glob("management/commands/*.py")}


@cache
def code() -> str:
    return "\n".join(
        (ROOT / name).read_text() for name in tracked()[0] if name.endswith(".py") or name.startswith("deploy/")
    )


def quoted(page: str) -> list[str]:
    return re.findall(r"`([^`\n]+)`", (ROOT / page).read_text())


def is_there(path: str) -> bool:
    """From the top, or the end of one path: a row that has named its folder names the files in it."""
    files, folders = tracked()
    path = path.removeprefix("./").rstrip("/")
    return any(p == path or p.endswith(f"/{path}") or PurePosixPath(p).match(path) for p in (*files, *folders))


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_names_is_there(page):
    text, wrong = (ROOT / page).read_text(), []
    for link in re.findall(r"\]\(([^)#]+)", text):
        if not link.startswith("https://") and not ((ROOT / page).parent / link).exists():
            wrong.append(f"link {link}")
    for words in quoted(page):
        first = words.split()[0]
        if re.fullmatch(r"[\w./-]+/[\w./*-]*|[\w-]+\.(py|md|json|js|css|yaml)", first) and not first.startswith(OUTSIDE):
            if not is_there(first):
                wrong.append(f"path {first}")
            whole = first.split("/")[0] in PACKAGES and not first.endswith("/") and "*" not in first
            if whole and not (ROOT / first).exists() and not is_there(f"templates/{first}"):
                wrong.append(f"path {first}, from the top")
    for command in re.findall(r"(?:manage\.py|^datumline|`datumline) (?:--from \S+ )?([a-z]\w+)", text, re.M):
        if command not in commands():
            wrong.append(f"command {command}")
    assert wrong == []


PROGRAMS = {"deploy/backup": "backup_data", "deploy/restore": "restore_data"}
DJANGOS_OPTIONS = {"--deploy", "--fail-level", "--no-input", "--help", "--traceback"}


def source_of(program: str) -> str:
    """What reads the options of a command of ours, a script, or a module that is run."""
    name = PROGRAMS.get(program, program)
    places = [p for package in PACKAGES for p in (ROOT / package).glob(f"management/commands/{name}.py")]
    places += [ROOT / name, (ROOT / name.replace(".", "/")).with_suffix(".py")]
    return "\n".join(p.read_text() for p in places if p.is_file())


@pytest.mark.parametrize("page", PAGES)
def test_every_option_a_page_names_is_read_by_its_program(page):
    text = (ROOT / page).read_text().replace("\\\n", " ")
    called = re.findall(
        r"(?:manage\.py |datumline (?:--from \S+ )?|python3? -m |\./(?=deploy/)|python3 (?=deploy/))([a-z][\w./]+)((?: +(?:[^\s`#]+))*)",
        text,
    )
    wrong = []
    for program, rest in called:
        options = set(re.findall(r"(?<=\s)--[a-z][a-z-]*", re.split(r"\s{2,}|[|;&]", rest)[0]))
        if options and program not in {"venv", "pip", "compileall"} and (read := source_of(program)):
            wrong += [f"{program} {o}" for o in options - DJANGOS_OPTIONS if o not in read]
        elif options - DJANGOS_OPTIONS and program.startswith(("tests.", "deploy/")):
            wrong.append(f"{program} is not there")
    assert wrong == []


def test_what_developers_is_told_of_is_called_so():
    """Functions, classes and constants in backticks."""
    text = code()
    named = {n for words in quoted("DEVELOPERS.md") for n in re.findall(r"^@?([A-Za-z_]\w+)(?:\(.*\))?(?: ->.*)?$", words)}
    assert len(named) > 60
    assert {n for n in named if not re.search(rf"\b{n}\b", text) and n not in commands()} == set()


def test_the_first_ten_minutes_meet_the_people_of_the_demo():
    people = json.loads((ROOT / "fixtures/demo/people.json").read_text())
    by_name = json.dumps(people).lower()
    readme = (ROOT / "README.md").read_text()
    told = re.findall(r"^- `(\w+)`, (\w+)", readme, re.M)
    assert [role for _, role in told] == ["dispenser", "trainee", "supervisor", "manager"]
    for name, _ in told:
        assert f'"{name}"' in by_name
    assert "tideglass surfacing" in by_name


def test_counts_are_not_promises_that_went_by():
    (least,) = re.findall(r"over (\d+), each with a page", (ROOT / "README.md").read_text())
    assert int(least) < len(registry())
