"""Full disks, killed runs, folders that can't be written, no home: files are old or new, whole."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import stat
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from raster2path.errors import UnwritableError
from raster2path.outputs import write_files
from tests.kills import draw, files_in, job_folder

RUN = "import sys; from raster2path.cli import main; sys.exit(main(sys.argv[1:]))"


def run(*words: str | Path, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", RUN, *map(str, words)]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=120, env=env
    )


def test_killed_at_any_moment_every_file_is_the_old_one_or_the_new_one() -> None:
    """SIGKILL at twelve seeded moments; `python -m tests.kills 200 1` tries as many as you like."""
    command = [sys.executable, "-m", "tests.kills", "12", "1"]
    root = Path(__file__).parent.parent
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=300, cwd=root
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert "'old'" in done.stdout


def test_what_a_killed_run_left_is_swept_away(tmp_path: Path) -> None:
    left = tmp_path / ".raster2path-0123456789ab.part"
    left.write_bytes(b"half")
    mine = tmp_path / "mine.part"
    mine.write_bytes(b"whole")
    write_files(tmp_path, {"guides.svg": b"new"})
    assert files_in(tmp_path) == {"guides.svg": b"new", "mine.part": b"whole"}


# ---------------------------------------------------------------- no room


LIMITED = """
import resource, signal, sys
from raster2path.cli import main
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), resource.RLIM_INFINITY))
sys.exit(main(sys.argv[2:]))
"""


@pytest.mark.parametrize("most", [0, 100, 20_000])
def test_a_file_that_does_not_fit_changes_nothing(tmp_path: Path, most: int) -> None:
    """The system refuses to write past so many bytes: one line, and all old files as they were."""
    picture = draw(tmp_path / "ferry.png")
    assert run("guide", picture).returncode == 0
    before = files_in(job_folder(picture))
    words = [str(most), "guide", str(picture), "--width", "300", "--fresh"]
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, *words],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 5, done.stderr
    assert "nothing was changed" in done.stderr
    assert done.stderr.count("\n") == 1
    assert files_in(job_folder(picture)) == before
    assert run("guide", picture).returncode == 0
    assert files_in(job_folder(picture)) == before


@pytest.mark.parametrize("n_written", range(4))
def test_a_full_disk_at_any_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_written: int
) -> None:
    """ENOSPC when the n-th file is flushed; a folder made for them goes, too."""
    room = [n_written]

    def fsync(_: int) -> None:
        room[0] -= 1
        if room[0] < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fsync)
    files = {f"{name}.svg": name.encode() for name in ("a", "b", "c", "d")}
    with pytest.raises(UnwritableError, match=r"No space left on device.*nothing was changed"):
        write_files(tmp_path / "new" / "job", files)
    assert list(tmp_path.iterdir()) == []


def test_where_renaming_fails_half_way_it_says_what_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a network folder that goes away."""
    write_files(tmp_path, {"a.svg": b"old", "b.svg": b"old"})
    replace = Path.replace

    def goes_away(self: Path, place: Path) -> Path:
        if place.name == "b.svg":
            raise OSError(errno.EIO, "Input/output error", str(self), None, str(place))
        return replace(self, place)

    monkeypatch.setattr(Path, "replace", goes_away)
    with pytest.raises(UnwritableError, match=r"\(b.svg\); only a.svg changed"):
        write_files(tmp_path, {"a.svg": b"new", "b.svg": b"new"})
    assert files_in(tmp_path) == {"a.svg": b"new", "b.svg": b"old"}


# ---------------------------------------------------------------- places


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that every user can reach."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    yield place
    for folder in (place, *place.rglob("*")):
        if folder.is_dir():
            folder.chmod(0o755)
    shutil.rmtree(place)


UNPRIVILEGED = """
import os, sys
from raster2path.cli import main
main(["guide", sys.argv[1], "-o", sys.argv[2]])  # imports all, while that is allowed
if os.getuid() == 0:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
print("now", file=sys.stderr)
sys.exit(main(sys.argv[3:]))
"""


@pytest.mark.parametrize("width", ["300", "310"])
def test_a_folder_that_may_not_be_written(open_place: Path, width: str) -> None:
    """By a user without privileges, in a folder of mode 0555: new, or with an older job in it."""
    picture = draw(open_place / "ferry.png")
    if width == "310":
        assert run("guide", picture).returncode == 0
        job_folder(picture).chmod(0o555)
    before = files_in(job_folder(picture))
    (open_place / "first").mkdir()
    open_place.chmod(0o555)
    words = [picture, open_place / "first", "guide", picture, "--width", width]
    done = subprocess.run(
        [sys.executable, "-c", UNPRIVILEGED, *map(str, words)],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    said = done.stderr.partition("now\n")[2]
    assert done.returncode == 5, done.stderr
    assert "Permission denied" in said
    assert "nothing was changed" in said
    assert said.count("\n") == 1
    assert files_in(job_folder(picture)) == before


def test_a_picture_that_may_not_be_read(open_place: Path) -> None:
    picture = draw(open_place / "ferry.png")
    locked = draw(open_place / "locked.png")
    locked.chmod(0)
    (open_place / "first").mkdir()
    words = [picture, open_place / "first", "guide", locked]
    done = subprocess.run(
        [sys.executable, "-c", UNPRIVILEGED, *map(str, words)],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 4, done.stderr
    assert done.stderr.partition("now\n")[2].count("\n") == 1


@pytest.mark.parametrize("home", [None, "/nonexistent/home"])
def test_without_a_home_folder(tmp_path: Path, home: str | None) -> None:
    """Nothing is kept outside the job folder."""
    picture = draw(tmp_path / "ferry.png")
    env = {key: value for key, value in os.environ.items() if not key.startswith(("HOME", "XDG"))}
    env |= {} if home is None else {"HOME": home}
    done = run("guide", picture, "--pages", "a4", env=env)
    assert (done.returncode, done.stderr) == (0, "")
    assert run("guide", picture, "-o", tmp_path / "ferry.dxf", env=env).returncode == 0


@pytest.mark.parametrize("language", ["C", "C.UTF-8", "POSIX"])
def test_any_locale_and_alphabet(tmp_path: Path, language: str) -> None:
    """Names with spaces, umlauts and other alphabets where the system speaks ASCII only."""
    folder = tmp_path / "Müller & Söhne – 看板"
    folder.mkdir()
    picture = draw(folder / "Möwe über'm Кай 1.png")
    env = {key: value for key, value in os.environ.items() if not key.startswith(("LC_", "LANG"))}
    env |= {"LC_ALL": language, "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = run("guide", picture, env=env)
    assert done.returncode == 0, done.stderr
    assert "guides.svg" in files_in(job_folder(picture))
    done = run("guide", job_folder(picture), env=env)
    assert done.returncode == 0, done.stderr
    done = run("guide", folder / "keine Möwe.png", picture, env=env)
    assert done.returncode == 4, done.stderr
    assert done.stderr.count("\n") == 1


def test_a_name_that_is_no_text_is_one_sentence(tmp_path: Path) -> None:
    """As from an old memory stick: bytes of another alphabet's code page."""
    name = os.path.join(os.fsencode(tmp_path), b"M\xf6we.png")  # noqa: PTH118 (bytes)
    try:
        shutil.copy(draw(tmp_path / "ferry.png"), os.fsdecode(name))
    except OSError:  # some file systems take no such name, so none can come
        return
    done = run("guide", os.fsdecode(name))
    assert done.returncode == 4, done.stderr
    assert "not text in UTF-8; rename it" in done.stderr


# ---------------------------------------------------------------- two at once


def test_two_runs_on_one_job_leave_the_files_of_one(tmp_path: Path) -> None:
    """The folder as a whole is what one of them alone would have left."""
    picture = draw(tmp_path / "ferry.png")
    alone = []
    for width in ("300", "330"):
        assert run("guide", picture, "--width", width, "--fresh").returncode == 0
        alone.append(files_in(job_folder(picture)))
        shutil.rmtree(job_folder(picture))
    code = [sys.executable, "-c", RUN, "guide", str(picture), "--width"]
    with (
        subprocess.Popen([*code, "300"], stdout=subprocess.DEVNULL) as one,
        subprocess.Popen([*code, "330"], stdout=subprocess.DEVNULL) as other,
    ):
        assert {one.wait(120), other.wait(120)} == {0}
    assert files_in(job_folder(picture)) in alone


def test_many_writers_of_one_folder_leave_the_files_of_one(tmp_path: Path) -> None:
    """Twelve threads, forty files each: never a mixture, never a part left."""
    sets = [{f"{n}.svg": bytes([k]) * 100 for n in range(40)} for k in range(12)]
    threads = [threading.Thread(target=write_files, args=(tmp_path, files)) for files in sets]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert files_in(tmp_path) in sets


def test_files_get_the_rights_that_any_new_file_gets(tmp_path: Path) -> None:
    """Others in the workshop can read them, as the user's umask says."""
    old = os.umask(0o022)
    try:
        write_files(tmp_path, {"guides.svg": b"x"})
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "guides.svg").stat().st_mode) == 0o644
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 0
