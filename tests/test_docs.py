"""What the documents say is so: commands and programs in them run, links lead somewhere.

They run in a copy of the samples (the small ones under the large ones' names, to be quick).
"""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from docs.make_options import page
from raster2path.cli import _parser, main
from raster2path.jobfile import read_job

ROOT = Path(__file__).parent.parent
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
FENCE = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
SERVERS = ("bench", "light")


def blocks(kind: str) -> Iterator[tuple[str, str]]:
    """Fenced blocks of a language ("" for none), each with where it stands."""
    for file in PAGES:
        text = file.read_text(encoding="utf-8")
        for match in FENCE.finditer(text):
            if match[1] == kind:
                line = text[: match.start()].count("\n") + 1
                yield f"{file.relative_to(ROOT)}:{line}", match[2]


COMMANDS = [
    (where, line.split("#")[0].strip())
    for where, text in (*blocks(""), *blocks("sh"))
    for line in text.splitlines()
    if line.startswith("raster2path ")
]


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the samples, and the job of one of them; the home folder is here, too."""
    shutil.copytree(ROOT / "samples", tmp_path / "samples")
    for small in (ROOT / "samples" / "small").iterdir():
        shutil.copy(small, tmp_path / "samples" / small.name)
    # under the name that the pages use, but a drawing that has ties enough for their examples
    shutil.copy(ROOT / "samples" / "small" / "ferry-solid.png", tmp_path / "heron.png")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    return tmp_path


def test_there_are_commands_to_run() -> None:
    assert len(COMMANDS) >= 8
    assert {line.split()[1] for _, line in COMMANDS} >= {"guide", "light"}


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize(
    ("where", "line"), COMMANDS, ids=[f"{where} {line}" for where, line in COMMANDS]
)
def test_commands_in_the_documents_run(where: str, line: str) -> None:
    words = line.split()[1:]
    if any("heron-job" in word for word in words):
        assert main(["guide", "heron.png", "--order", "near", "--sheet", "1000x800"]) == 0
    if words[0] in SERVERS and "-o" not in words:
        serves_until_it_is_stopped(words)
    else:
        assert main(words) == 0, where


def serves_until_it_is_stopped(words: list[str]) -> None:
    """It tells its address, on this machine only, and ends on Ctrl-C."""
    command = [sys.executable, "-m", "raster2path", *words, "--no-browser", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            assert any("http://127.0.0.1:" in line for line in server.stdout)
            server.send_signal(signal.SIGINT)
            server.wait(120)
        finally:
            server.kill()


PROGRAMS = list(blocks("python"))


@pytest.mark.parametrize(("where", "text"), PROGRAMS, ids=[where for where, _ in PROGRAMS])
def test_programs_in_the_documents_run(shop: Path, where: str, text: str) -> None:
    script = shop / "shown.py"
    script.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, f"{where}: {done.stderr[-2000:]}"
    assert done.stdout.strip()


def test_the_job_file_that_is_shown_can_be_read(tmp_path: Path) -> None:
    shown = [text for where, text in blocks("toml") if "version = 1" in text]
    assert shown
    for text in shown:
        assert "settings" in tomllib.loads(text)
        (tmp_path / "job.toml").write_text(text, encoding="utf-8")
        assert read_job(tmp_path / "job.toml").job.size.width_mm == 600.0


def options() -> set[str]:
    """Every option of every command."""
    top = _parser()
    (commands,) = (a for a in top._actions if hasattr(a, "_choices_actions"))
    parsers = dict(commands.choices or {}).values()
    return {
        word for parser in (top, *parsers) for a in parser._actions for word in a.option_strings
    }


OF_OTHERS = {"--quiet", "--grow", "--dist"}
"""Of pip, of our own measuring, and of the tests' runner."""


@pytest.mark.parametrize("file", PAGES, ids=lambda f: f.name)
def test_options_that_are_named_exist(file: Path) -> None:
    text = re.sub(r"`python[^`]*`", "", file.read_text(encoding="utf-8"))  # of other programs
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text))
    assert named - options() - OF_OTHERS == set()


@pytest.mark.parametrize("file", PAGES, ids=lambda f: f.name)
def test_links_lead_somewhere(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith("http"):
            continue
        path, _, anchor = target.partition("#")
        there = (file.parent / path) if path else file
        assert there.exists(), f"{file.name}: {target}"
        if anchor:
            heads = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in heads}


def test_every_page_can_be_reached_from_the_readme() -> None:
    text = "".join(file.read_text(encoding="utf-8") for file in PAGES)
    for file in (ROOT / "docs").glob("*.md"):
        assert re.search(rf"\]\((docs/)?{file.name}[)#]", text), file.name


def test_the_page_of_options_is_what_the_program_says() -> None:
    """`python docs/make_options.py` writes it anew."""
    there = (ROOT / "docs" / "options.md").read_text(encoding="utf-8")
    assert there == page(), "an option has changed: run python docs/make_options.py"


def test_the_version_is_in_the_changelog() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert "## Unreleased" in text or f"## {project['version']}" in text
