"""The bench in a real browser: the whole way, every correction there and back, nothing lost."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect

from raster2path.cli import main
from tests.benches import (
    DESKTOP,
    SAMPLES,
    TABLET,
    Bench,
    bench,
    drop,
    one_step,
    page,
    settled,
)

HERON = SAMPLES / "heron-sketch.jpg"
SMALL = SAMPLES / "small" / "ferry-solid.png"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Bench]:
    with bench(tmp_path / "jobs") as one:
        yield one


def laid(new: Page, desk: Bench, picture: Path = SMALL) -> None:
    """A picture on the bench, answered in full."""
    new.goto(desk.address)
    drop(new, picture)
    expect(new.locator("html")).to_have_attribute("data-number", "1")
    settled(new)


def go(new: Page, place: str) -> None:
    new.get_by_role("button", name=place, exact=True).click()


def pick(new: Page, what: str, number: int, word: str) -> None:
    """Touch a thing by keyboard and choose a word."""
    new.locator(f"[data-what={what}][data-number='{number}'][tabindex]").focus()
    new.keyboard.press("Enter")
    new.locator("#words").get_by_role("button", name=word, exact=True).click()


@pytest.mark.parametrize(
    ("picture", "size", "is_touch"),
    [(HERON, DESKTOP, False), (SMALL, TABLET, True)],
    ids=["desktop", "tablet"],
)
def test_the_whole_way_from_a_photograph_to_a_saved_job_without_an_island(
    chromium: Browser, desk: Bench, picture: Path, size: tuple[int, int], *, is_touch: bool
) -> None:
    with page(chromium, size, is_touch=is_touch) as new:
        laid(new, desk, picture)
        assert "token" not in new.url
        expect(new.locator("#notes .free")).to_be_visible()
        expect(new.locator("#place")).to_contain_text("Read as ")
        go(new, "Sign")
        with one_step(new):
            new.get_by_label("how ties are laid").select_option("none")
        expect(new.locator("#notes li.fault").first).to_contain_text("would fall out")
        expect(new.locator("#notes .free")).to_have_count(0)
        with one_step(new):
            new.get_by_role("button", name="tie it").first.click()
        expect(new.locator("#notes .free")).to_be_visible()
        with one_step(new):
            new.get_by_label("width, in mm").fill("50cm")
            new.keyboard.press("Enter")
        expect(new.get_by_label("width, in mm")).to_have_value("500")
        go(new, "Steel")
        expect(new.locator(".cuts li")).not_to_have_count(0)
        new.locator("#save").click()
        expect(new.locator("#save")).to_have_text("saved")
    same_by_command(desk, picture)


def same_by_command(desk: Bench, picture: Path) -> None:
    """What the page saved is what the command makes of its `job.toml`, byte for byte."""
    (folder,) = desk.jobs.iterdir()
    names = [f.name for f in folder.iterdir() if f.name != picture.name and f.name[0] != "."]
    saved = {name: (folder / name).read_bytes() for name in names}
    assert {"guides.svg", "guides.pdf", "job.pdf", "as-hung.png", "job.toml"} <= set(saved)
    for name in saved:
        if name != "job.toml":
            (folder / name).unlink()
    main(["guide", str(folder / "job.toml")])
    again = {name: (folder / name).read_bytes() for name in saved}
    assert again == saved, "the command makes other files from the page's job.toml"


def corrections(desk: Bench) -> dict[str, Any]:
    return dict(desk.toml().get("corrections", {}))


def rub(new: Page) -> None:
    """Rub out some of the picture's middle."""
    new.keyboard.press("r")
    box = new.locator("#sheet").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    new.mouse.move(x - 60, y)
    new.mouse.down()
    new.mouse.move(x + 60, y + 10, steps=6)
    new.mouse.up()


def drag_tie(new: Page) -> None:
    new.keyboard.press("0")
    box = new.locator("[data-what=tie]").first.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    new.mouse.move(x, y)
    new.mouse.down()
    new.mouse.move(x, y + 80, steps=5)
    new.mouse.up()


def middle(of: Locator) -> tuple[float, float]:
    box = of.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag_point(new: Page) -> None:
    pick(new, "edge", 3, "points")
    point = new.get_by_role("button", name=re.compile("^point 2 of"))
    point.focus()
    new.keyboard.press("0")  # it may lie outside once one has come nearer
    new.wait_for_timeout(200)
    x, y = middle(point)
    new.mouse.move(x, y)
    new.mouse.down()
    new.mouse.move(x + 4, y + 4, steps=3)
    new.mouse.up()


def take_point_out(new: Page) -> None:
    pick(new, "edge", 3, "points")
    new.get_by_role("button", name=re.compile("^point 2 of")).focus()
    new.keyboard.press("Delete")


def mark(new: Page, word: str) -> None:
    """Draw a loop round the upper left quarter of the drawing and choose a word."""
    new.keyboard.press("0")
    new.keyboard.press("m")
    x, y = middle(new.locator("#sheet"))
    new.mouse.move(x, y)
    new.mouse.down()
    for dx, dy in ((-400, 10), (-420, -330), (5, -340), (12, -20)):
        new.mouse.move(x + dx, y + dy, steps=6)
    new.mouse.up()
    new.locator("#words").get_by_role("button", name=word, exact=True).click()


STEPS: dict[str, tuple[str, Callable[[Page], None], str]] = {
    "an edge's kind": ("Drawing", lambda new: pick(new, "edge", 3, "ruled"), "geometric_px"),
    "ink rubbed out": ("Drawing", rub, "ink_px"),
    "a point dragged": ("Drawing", drag_point, "moved_points_px"),
    "a point taken out": ("Drawing", take_point_out, "no_points_px"),
    "a loop of lettering": ("Drawing", lambda new: mark(new, "lettering"), "lettering_loops_px"),
    "a looser area": ("Drawing", lambda new: mark(new, "looser"), "looser_loops_px"),
    "a stricter area": ("Drawing", lambda new: mark(new, "stricter"), "stricter_loops_px"),
    "a tie removed": ("Sign", lambda new: pick(new, "tie", 0, "remove"), "no_ties_px"),
    "a tie widened": ("Sign", lambda new: pick(new, "tie", 0, "wider"), "wide_ties_px_mm"),
    "a tie dragged": ("Sign", drag_tie, "ties_px"),
    "a tie lost": ("Sign", lambda new: pick(new, "tie", 0, "burnt through"), "lost_ties_px"),
    "a cut done": (
        "Steel",
        lambda new: new.get_by_label("cut 2 is done").check(),
        "done_px",
    ),
    "a cut moved": (
        "Steel",
        lambda new: new.locator("[data-key=grip-1]").press("ArrowDown"),
        "order_px",
    ),
}


def test_every_correction_is_kept_taken_back_and_done_again(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        for name, (place, act, key) in STEPS.items():
            go(new, place)
            assert key not in corrections(desk), name
            with one_step(new):
                act(new)
            new.keyboard.press("Escape")
            kept = corrections(desk)
            assert kept.get(key), name
            with one_step(new):
                new.locator("#undo").click()
            assert key not in corrections(desk), name
            with one_step(new):
                new.locator("#redo").click()
            assert corrections(desk) == kept, name
            with one_step(new):
                new.locator("#undo").click()


def test_all_corrections_together_give_the_same_files(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        for place, act, _ in STEPS.values():
            go(new, place)
            with one_step(new):
                act(new)
            new.keyboard.press("Escape")
        kept = corrections(desk)
        assert set(kept) >= {key for *_, key in STEPS.values()} - {"ties_px", "wide_ties_px_mm"}
        new.locator("#save").click()
        expect(new.locator("#save")).to_have_text("saved")
    same_by_command(desk, SMALL)


def test_numbers_are_held_from_the_first_cut_on(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Steel")
        n_cuts = new.locator(".cuts li").count()
        with one_step(new):
            new.get_by_label("cut 1 is done").check()
        assert len(corrections(desk)["order_px"]) == n_cuts
        expect(new.get_by_label("the order of cuts")).to_have_value("by hand")
        expect(new.locator("#place")).to_contain_text("as numbered on the steel")
        with one_step(new):
            new.locator("#undo").click()
        assert "order_px" not in corrections(desk)


def test_planning_is_stopped_and_the_nearest_order_kept(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        new.goto(desk.address)
        drop(new, HERON)
        expect(new.locator("html")).to_have_attribute("data-answered", "1")
        new.keyboard.press("3")
        expect(new.locator("#place")).to_contain_text("being planned")
        with one_step(new):
            new.get_by_role("button", name="stop planning").click()
        settled(new)
        assert desk.toml()["settings"]["order"] == "near"
        expect(new.get_by_role("button", name="stop planning")).to_have_count(0)


def test_settings_are_kept_and_taken_back(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Sign")
        with one_step(new):
            new.get_by_label("the border").select_option("oval")
        assert desk.toml()["settings"]["border"] == "oval"
        with one_step(new):
            new.get_by_label("mounting holes").select_option("2")
        with one_step(new):
            new.get_by_label("width of the sheet").fill("400")
            new.get_by_label("height of the sheet").fill("300")
            new.keyboard.press("Enter")
        fault = new.locator("#notes li.fault").filter(has_text="your sheet is")
        expect(fault).to_be_visible()
        with one_step(new):
            fault.get_by_role("button", name=re.compile("make it .* wide")).click()
        expect(fault).to_have_count(0)
        for _ in range(4):
            with one_step(new):
                new.locator("#undo").click()
        assert "border" not in desk.toml()["settings"]
        expect(new.locator("#undo")).to_be_disabled()


def corners_of(d: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?[\d.]+", d)]


def test_a_dragged_tie_is_shown_where_it_will_be_laid(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Sign")
        box = new.locator("[data-what=tie]").first.bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        new.mouse.move(x, y)
        new.mouse.down()
        ghost = new.locator("#sheet path.ghost:not([transform]):not(.nowhere)")
        for dx, dy in ((14, 0), (0, 14), (-14, 0), (0, -14)):  # one of them is along its gap
            new.mouse.move(x + dx, y + dy, steps=4)
            new.wait_for_timeout(2000)
            if ghost.count():
                break
        shown = corners_of(ghost.get_attribute("d") or "")
        with one_step(new):
            new.mouse.up()
        ties = [corners_of(one.get_attribute("d") or "") for one in new.locator(".tie").all()]
        off = min(max(abs(a - b) for a, b in zip(tie, shown, strict=True)) for tie in ties)
        assert off < 0.5, f"{shown} is none of {ties}"


def test_paper_corners_are_dragged_onto_the_paper(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        new.get_by_role("button", name="move its corners").click()
        box = new.get_by_role("button", name="corner 1 of the paper").bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        new.mouse.move(x, y)
        new.mouse.down()
        new.mouse.move(x + 40, y + 30, steps=4)
        new.mouse.up()
        with one_step(new):
            new.get_by_role("button", name="square it up").click()
        kept = desk.toml()["settings"]["paper_corners_px"]
        assert len(kept) == 8
        assert kept[0] > 5
        assert kept[1] > 5
        expect(new.locator("#place")).to_contain_text("corners that you set")
        with one_step(new):
            new.locator("#undo").click()
        assert "paper_corners_px" not in desk.toml()["settings"]


def test_a_face_is_said_to_stay_by_touching_it(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        metal = new.locator("#sheet [data-what=face]").last.bounding_box()
        assert metal is not None
        new.mouse.click(metal["x"] + metal["width"] / 2, metal["y"] + metal["height"] / 2)
        row = new.locator("#words")
        expect(row.get_by_role("button")).not_to_have_count(0)
        if row.get_by_role("button", name="stays", exact=True).count() == 0:
            pytest.fail("the smallest face did not answer")
        said = row.locator("[aria-pressed=true]").inner_text()
        other = "stays" if said == "falls out" else "falls out"
        with one_step(new):
            row.get_by_role("button", name=other, exact=True).click()
        key = "stays_px" if other == "stays" else "falls_px"
        assert len(corrections(desk)[key]) == 1


def test_a_slider_dragged_is_one_step(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        slider = new.get_by_label("Flowing edges may leave")
        with one_step(new):
            for _ in range(4):
                slider.press("ArrowRight")
        settled(new)
        assert desk.toml()["settings"]["organic_tolerance_mm"] > 1.0
        new.locator("#undo").click()
        expect(new.locator("#undo")).to_be_disabled()
        assert desk.toml()["settings"]["organic_tolerance_mm"] == 1.0


def test_what_makes_no_sense_is_one_plain_sentence(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Sign")
        new.get_by_label("width, in mm").fill("a hand's breadth")
        new.keyboard.press("Enter")
        expect(new.locator("#toast")).to_contain_text("no length")
        new.get_by_label("width, in mm").fill("5")
        new.keyboard.press("Enter")
        expect(new.locator("#toast")).to_contain_text("expected 10 to 20000 mm")
        assert "width_mm" not in desk.toml()["settings"]


def test_a_picture_with_nothing_in_it_says_so_and_offers_a_way_on(
    chromium: Browser, desk: Bench, tmp_path: Path
) -> None:
    empty = tmp_path / "empty.png"
    Image.new("RGB", (600, 400), "white").save(empty)
    with page(chromium) as new:
        laid(new, desk, empty)
        expect(new.locator("#notes li.fault")).to_have_count(1)
        expect(new.get_by_role("button", name=re.compile("bar: a drawn line"))).to_be_visible()
        new.get_by_role("button", name="another picture").click()
        expect(new.locator(".drop")).to_be_visible()


def test_a_name_with_markup_is_shown_as_text(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        new.goto(desk.address)
        drop(new, SMALL, "<img src=x onerror=alert(1)>.png")
        settled(new)
        assert new.locator("img[src=x]").count() == 0
        assert "onerror" in new.title()  # it came through, as text


def test_inches_everywhere_when_chosen(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Sign")
        with one_step(new):
            new.get_by_label("width, in mm").fill("24in")
            new.keyboard.press("Enter")
        new.locator("#more").click()
        with one_step(new):
            new.get_by_role("button", name="inches").click()
        new.keyboard.press("Escape")
        expect(new.get_by_label("width, in inches")).to_have_value("24")
        expect(new.locator("#rule")).to_contain_text("in")
        assert desk.toml()["settings"]["units"] == "in"
        assert desk.toml()["settings"]["width_mm"] == pytest.approx(609.6)
        with one_step(new):
            new.get_by_label("width, in inches").fill("20")  # a plain number is an inch now
            new.keyboard.press("Enter")
        assert desk.toml()["settings"]["width_mm"] == pytest.approx(508.0)


def test_reload_in_the_middle_of_everything(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Sign")
        new.get_by_label("the border").select_option("oval")
        new.reload()
        settled(new)
        expect(new.get_by_label("the border")).to_have_value("oval")
        with one_step(new):
            new.locator("#undo").click()  # even the steps back are still there
        expect(new.get_by_label("the border")).not_to_have_value("oval")


def test_two_pages_on_one_job_show_the_same(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as one:
        laid(one, desk)
        other = one.context.new_page()
        other.goto(desk.origin)
        settled(other)
        with one_step(other):
            go(one, "Sign")
            one.get_by_label("the border").select_option("oval")
        go(other, "Sign")
        expect(other.get_by_label("the border")).to_have_value("oval")
        with one_step(one):
            other.locator("#undo").click()
        expect(one.get_by_label("the border")).not_to_have_value("oval")


def test_nothing_is_lost_when_the_bench_is_killed(chromium: Browser, tmp_path: Path) -> None:
    with page(chromium) as new:
        with bench(tmp_path / "jobs") as first:
            laid(new, first)
            go(new, "Sign")
            with one_step(new):
                new.get_by_label("the border").select_option("oval")
            pick(new, "tie", 0, "remove")  # killed while this is being worked out
            new.wait_for_timeout(300)
            port = first.port
            first.kill()
            expect(new.locator("#busy")).to_contain_text("does not answer")
        assert first.toml()["corrections"]["no_ties_px"]
        with bench(tmp_path / "jobs", port=port) as second:
            new.goto(second.address)
            new.get_by_role("button", name=re.compile("ferry-solid")).click()
            settled(new)
            go(new, "Sign")
            expect(new.get_by_label("the border")).to_have_value("oval")
            assert second.toml()["corrections"]["no_ties_px"]
            with one_step(new):
                new.locator("#undo").click()  # the steps of the bench that was killed
            assert "no_ties_px" not in corrections(second)
            with one_step(new):
                new.locator("#undo").click()
            expect(new.get_by_label("the border")).not_to_have_value("oval")
            with one_step(new):
                new.locator("#redo").click()
            expect(new.get_by_label("the border")).to_have_value("oval")


def test_keys_alone_lead_from_place_to_place_and_say_what_they_do(
    chromium: Browser, desk: Bench
) -> None:
    with page(chromium) as new:
        laid(new, desk)
        new.keyboard.press("2")
        expect(new.locator("#placename")).to_have_text("Sign")
        new.keyboard.press("?")
        expect(new.locator("#help")).to_be_visible()
        new.keyboard.press("Escape")
        expect(new.locator("#help")).not_to_be_visible()
        new.keyboard.press("3")
        expect(new.locator("#placename")).to_have_text("Steel")
        new.keyboard.press("1")
        label = new.locator("[data-what=edge]").first.get_attribute("aria-label")
        assert re.fullmatch(r"edge 1 of \d+, (flowing|lettering|ruled), [\d.]+ mm.*", label or "")
        new.keyboard.press("f")
        expect(new.locator("#finished img")).to_be_visible()
        with new.expect_download() as coming:
            new.get_by_role("link", name="save the picture").click()
        assert coming.value.path().read_bytes().startswith(b"\x89PNG")


def test_the_job_is_lit_and_its_minutes_are_remembered(chromium: Browser, desk: Bench) -> None:
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Steel")
        new.get_by_role("button", name="light it").click()
        lit = new.get_by_role("link", name="open the light").get_attribute("href") or ""
        assert re.match(r"http://127\.0\.0\.1:\d+/", lit)
        assert httpx.get(lit).status_code == 303  # it is there, and trades its token
        new.get_by_label("minutes that it took").fill("240")
        new.keyboard.press("Enter")
        expect(new.locator("#say")).to_have_text("remembered for the next estimate")
        new.reload()
        expect(new.get_by_label("minutes that it took")).to_have_value("240")
    kept = tomllib.loads((desk.jobs.parent / "habits" / "habits.toml").read_text())
    assert kept["finished"][0]["minutes"] == 240


def test_files_to_take_along(chromium: Browser, desk: Bench) -> None:
    begins = {"pages-a4.pdf": b"%PDF", "guides.dxf": b"  0\nSECTION", "job.pdf": b"%PDF"}
    with page(chromium) as new:
        laid(new, desk)
        go(new, "Steel")
        for name, first in begins.items():
            with new.expect_download() as coming:
                new.locator(f"a[href='/files/{name}']").click()
            assert coming.value.suggested_filename.endswith(name)
            assert coming.value.path().read_bytes().startswith(first), name
