"""The fixed top level, the map of the package, and words that do not belong in it."""

import re
import subprocess
from pathlib import Path

import fleet

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    *("pyproject.toml", "README.md", "DEVELOPERS.md", "docker-compose.yml"),
    *("fleet", "config", "templates", "tests", "fixtures"),
}
TEXT = {".py", ".md", ".toml", ".yml", ".html", ".css", ".js", ".csv", ".txt", ""}
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


def test_the_map_names_every_part_of_the_package() -> None:
    parts = {
        path.name.removesuffix(".py")
        for path in (ROOT / "fleet").iterdir()
        if not path.name.startswith("_") and (path.is_dir() or path.suffix == ".py")
    }
    described = fleet.__doc__ or ""
    assert [part for part in sorted(parts) if part not in described] == []


def test_no_file_holds_an_address_a_path_of_this_machine_or_a_secret() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {match.group()}"
        for path in tracked()
        if path.suffix in TEXT and path.exists() and path != Path(__file__)
        if (match := UNWANTED.search(path.read_text(errors="replace")))
    ]
    assert found == []
