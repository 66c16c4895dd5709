"""The fixed top level, the map of the package, and words that do not belong in it."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

import fleet
from tests.test_layering import AFTER, STAGES

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    *("pyproject.toml", "README.md", "DEVELOPERS.md", "docker-compose.yml"),
    *("fleet", "config", "templates", "tests", "fixtures"),
}
TEXT = {".py", ".md", ".toml", ".yml", ".html", ".css", ".js", ".csv", ".txt", ""}
UNTOLD = {"people", "vehicles", "runs"}  # of the story: set-up, and the ledger of jobs
UNWANTED = re.compile(
    r"https?://(?!127\.0\.0\.1|localhost|\{|%|www\.w3\.org|fleet\.example|[a-z.]*example)[a-z]"
    r"|/work/|/root/|BEGIN [A-Z ]*PRIVATE KEY",
)


def tracked() -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [ROOT / name for name in listed.stdout.split("\0") if name]


def test_the_top_level_is_what_it_is_meant_to_be() -> None:
    names = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def parts() -> set[str]:
    """Files and folders of the package, as the map writes them."""
    found = [path for path in (ROOT / "fleet").iterdir() if not path.name.startswith("_")]
    return {f"{path.name}/" if path.is_dir() else path.name for path in found}


def test_the_map_names_every_part_of_the_package_and_no_other() -> None:
    mapped = re.findall(r"^    (\w+(?:/|\.py))", fleet.__doc__ or "", re.M)
    assert sorted(mapped) == sorted(parts())


FOLDERS = sorted(
    str(path.parent.relative_to(ROOT))
    for package in ("fleet", "config")
    for path in (ROOT / package).rglob("__init__.py")
    if path.parent.name not in ("fleet", "migrations")
)


@pytest.mark.parametrize("folder", FOLDERS)
def test_the_map_of_a_folder_names_every_file_of_it_and_no_other(folder: str) -> None:
    """Of ``apps.py`` and ``admin.py``, which often say nothing of their own, those that do."""
    inside = (ROOT / folder).iterdir()
    files = {path.name for path in inside if path.suffix == ".py" and path.stem != "__init__"}
    inner = (ROOT / folder).glob("*/__init__.py")
    parts = files | {f"{path.parent.name}/" for path in inner} - {"migrations/"}
    told = ast.get_docstring(ast.parse((ROOT / folder / "__init__.py").read_text())) or ""
    named = re.findall(r"^ *(\w+(?:/|\.py)) +\S", told, re.M)
    assert sorted(named) == sorted(set(named) | parts - {"apps.py", "admin.py"})
    assert set(named) <= parts


def story() -> list[list[str]]:
    """Rows of the table of stages: what each cell names in backticks."""
    told = (ROOT / "DEVELOPERS.md").read_text().split("## 1.")[1].split("## 2.")[0]
    cells = [line.split("|") for line in told.splitlines() if line.startswith("| `")]
    return [[" ".join(re.findall(r"`([^`]+)`", cell)) for cell in row[1:-1]] for row in cells]


def test_the_story_tells_of_every_stage() -> None:
    told = {row[0] for row in story()} - set(AFTER)
    assert told == set(STAGES) - UNTOLD


def test_the_arithmetic_of_the_story_exists() -> None:
    named = {name for row in story() for name in row[2].split()}
    assert named - {path.stem for path in (ROOT / "fleet" / "calc").glob("*.py")} == set()


OF_NO_STAGE = {
    "letters": "letters in numbers, whoever reads them",
    "arrays": "names that all share",
    "stamps": "whether anything changed, for every stage that asks",
    "judging": "the state that verdicts work on",
    "verdict_rows": "the rows that verdicts take and give",
}


def test_the_story_names_all_arithmetic() -> None:
    named = {name for row in story() for name in row[2].split()}
    files = {path.stem for path in (ROOT / "fleet" / "calc").glob("*.py")} - {"__init__"}
    assert files - named == set(OF_NO_STAGE)


def test_the_verbs_of_the_story_exist() -> None:
    """``module.verb`` stands in the stage; a verb alone in the module named before it."""
    missing = []
    for row in story():
        module = ""
        for name in row[3].split():
            head, _, verb = name.rpartition(".")
            module, verb = (head or module, verb)
            path = ROOT / "fleet" / row[0] / f"{module}.py"
            known = path.is_file() and (verb == "*" or f"def {verb}(" in path.read_text())
            missing += [] if known else [f"{row[0]}: {name}"]
    assert missing == []


def test_rules_that_are_looked_for_stand_where_the_list_says() -> None:
    """``name`` in ``path`` stands there; a path begins in ``fleet`` or at the top."""
    told = (ROOT / "DEVELOPERS.md").read_text().split("### Where some rules")[1].split("\n## ")[0]
    text = {
        path: "".join(one.read_text() for base in (ROOT / "fleet", ROOT) for one in base.glob(path))
        for path in re.findall(r"`([\w/*]+\.py)`", told)
    }
    named = re.findall(r"`([\w.]+)` in `([\w/]+\.py)`", told)
    assert len(named) > 10
    assert [path for path, found in text.items() if not found] == []
    assert [name for name, path in named if name.split(".")[0] not in text[path]] == []


def test_no_file_holds_an_address_a_path_of_this_machine_or_a_secret() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {match.group()}"
        for path in tracked()
        if path.suffix in TEXT and path.exists() and path != Path(__file__)
        if (match := UNWANTED.search(path.read_text(errors="replace")))
    ]
    assert found == []
