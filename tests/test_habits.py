"""What is kept for every new job: read, changed, shared with others, never in the way."""

from pathlib import Path

import pytest

from raster2path.errors import UnreadableError, UnwritableError, UsageError
from raster2path.habits import (
    Finished,
    Habits,
    habits_file,
    keep_finished,
    keep_settings,
    keep_table,
    read_habits,
    usual_job,
)

pytestmark = pytest.mark.usefixtures("home")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RASTER2PATH_HOME", str(tmp_path / "shop"))
    return tmp_path / "shop"


def picture(folder: Path) -> Path:
    file = folder / "heron.png"
    file.write_bytes(b"")
    return file


def test_without_a_file_there_are_none(tmp_path: Path) -> None:
    assert read_habits() == Habits()
    assert usual_job(picture(tmp_path)).torch.kerf_mm == 1.5


def test_a_new_job_begins_with_what_was_kept(home: Path, tmp_path: Path) -> None:
    assert keep_settings({"kerf_mm": 1.8, "walls": None}) == home / "habits.toml"
    keep_settings({"sheet_mm": (900.0, 600.0)})
    job = usual_job(picture(tmp_path))
    assert (job.torch.kerf_mm, job.ties.kerf_mm) == (1.8, 1.8)
    assert job.size.sheet_mm == (900.0, 600.0)
    keep_settings({"kerf_mm": None})
    assert usual_job(picture(tmp_path)).torch.kerf_mm == 1.5


def test_parts_keep_their_tables_and_each_others() -> None:
    keep_table("projector", {"lens": {"corners": [1.0, 2.5], "name": "shed's wall é"}})
    keep_settings({"kerf_mm": 2.0})
    keep_finished(Finished("heron", "2031-05-02", 8.0, 240.0))
    found = read_habits()
    assert found.tables == {"projector": {"lens": {"corners": [1.0, 2.5], "name": "shed's wall é"}}}
    assert found.settings == {"kerf_mm": 2.0}
    keep_table("projector", {})
    assert read_habits().tables == {}
    assert read_habits().settings == {"kerf_mm": 2.0}


def test_the_same_job_is_remembered_once() -> None:
    keep_finished(Finished("heron", "2031-05-02", 8.0, 240.0))
    keep_finished(Finished("ferry", "2031-05-04", 4.0, 60.0))
    keep_finished(Finished("heron", "2031-05-02", 8.0, 120.0))
    found = read_habits().finished
    assert [(job.name, job.minutes) for job in found] == [("ferry", 60.0), ("heron", 120.0)]
    assert found[-1].hours_a_metre == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("text", "error", "match"),
    [
        ("[settings]\nkerf_mm = 99", UsageError, r"habits.toml: .*99"),
        ("[settings]\nkerv_mm = 1", UsageError, "there is no setting 'kerv_mm'"),
        ("settings = 3", UsageError, "mend that line"),
        ('[[finished]]\nname = "heron"', UsageError, "mend that line"),
        ("[settings", UnreadableError, "not TOML"),
    ],
)
def test_nonsense_is_told_in_one_line(
    home: Path, tmp_path: Path, text: str, error: type[Exception], match: str
) -> None:
    home.mkdir()
    habits_file().write_text(text)
    with pytest.raises(error, match=match) as told:
        usual_job(picture(tmp_path))
    assert "\n" not in str(told.value).replace(" (at line", "")


def test_what_can_not_be_written_is_told(home: Path) -> None:
    home.write_text("a file where the folder should be")
    with pytest.raises(UnwritableError, match="RASTER2PATH_HOME"):
        keep_settings({"kerf_mm": 2.0})
    assert read_habits() == Habits()


def test_the_users_own_folder_where_no_other_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RASTER2PATH_HOME")
    assert habits_file().parent.name == "raster2path"
