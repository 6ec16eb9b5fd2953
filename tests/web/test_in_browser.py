"""The page in a real browser, phone size: what she taps leads where it should, and all can use it.

Debian's Chromium, driven by playwright; axe-core (npm) looks for what keeps people out. Where one
of them is missing the tests are left out, but not on a CI machine: .ci/run brings them.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from snapped import GROWTH, JAR, write_stock
from web_server import serving

from densitycam.web.place import Place
from densitycam.web.reader import Reader

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

NAME = "left <b>jar</b> & \"co\" 'x'"
#: A small phone.
PHONE = {"width": 360, "height": 740}
#: Where screenshots go, to be looked at; none are taken without it.
SHOTS = os.environ.get("DENSITYCAM_SHOTS")

#: What has the focus, and the line drawn round it: a file's field is hidden behind its label.
FOCUSED = """(() => {
  const a = document.activeElement;
  const seen = a.classList.contains("shot") && a.labels.length ? a.labels[0] : a;
  const name = a === document.body ? "" : a.id || a.textContent.trim();
  return [name, getComputedStyle(seen).outlineStyle];
})()"""


def _need(there: object, what: str) -> None:
    if there:
        return
    if os.environ.get("CI"):
        pytest.fail(f"{what} is missing; .ci/run brings it")
    pytest.skip(f"{what} is not installed")


@pytest.fixture(scope="module")
def stock(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_stock(tmp_path_factory.mktemp("stock"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    _need(chromium, "Debian's package chromium")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def axe() -> str:
    """The script that looks for what keeps people out."""
    place = os.environ.get("DENSITYCAM_AXE", "")
    _need(place and Path(place).is_file(), "axe-core from npm (DENSITYCAM_AXE: its axe.min.js)")
    return Path(place).read_text(encoding="utf-8")


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """A page served as `densitycam serve` does, on a journal of its own."""
    place = Place(
        journal_path=tmp_path / "journal.sqlite",
        photos_folder=tmp_path / "photos",
        signing_key="k" * 40,
        secret=None,
        hosts=("127.0.0.1",),
        reader=Reader(1),
    )
    with serving(place) as served:
        yield f"http://127.0.0.1:{served.port}"


@pytest.fixture
def phone(browser: Browser, address: str) -> Iterator[Callable[..., Page]]:
    """Opens pages as a phone would; any fault that the browser tells of fails the test."""
    faults: list[str] = []
    contexts = []

    def open_page(
        where: str = "/", *, scheme: str = "light", refused: bool = False, **options: object
    ) -> Page:
        context = browser.new_context(
            viewport=PHONE, is_mobile=True, has_touch=True, color_scheme=scheme, **options
        )
        context.set_default_timeout(20_000)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on(
            "console",
            lambda said: (
                None
                if said.type not in ("error", "warning") or (refused and "400" in said.text)
                else faults.append(said.text)
            ),
        )
        page.on(
            "request",
            lambda asked: (
                None
                if asked.url.startswith(address)
                else faults.append(f"asked outside: {asked.url}")
            ),
        )
        page.goto(address + where)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert faults == []


def shown(page: Page, name: str) -> None:
    """Check that a page fits the phone's width, and keep a picture of it where that is wanted."""
    page.wait_for_load_state("networkidle")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], page.url
    if SHOTS:
        page.screenshot(path=Path(SHOTS) / f"{name}.png", full_page=True)


def describe(page: Page) -> None:
    page.get_by_role("link", name="Describe a vessel").click()
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Species").select_option(JAR["species"])
    page.get_by_label("Culture it holds when full").fill(JAR["volume_ml"])
    page.get_by_label("Shape").select_option(JAR["shape"])
    page.get_by_label("Inner width").fill(JAR["path_mm"])
    shown(page, "vessel-new")
    page.get_by_role("button", name="Keep").click()


def snap(page: Page, photo: Path) -> None:
    """Take a photo: the phone's camera gives the file, and the page sends it by itself."""
    page.locator("#photo").set_input_files(photo)
    page.wait_for_url("**/photo?number=*")


def test_from_nothing_to_a_reading_a_split_a_slide_and_a_calibration(phone, stock):
    page = phone("/")
    shown(page, "start")
    assert page.get_by_role("heading", name="Begin").is_visible()
    describe(page)
    assert page.get_by_role("status").first.inner_text().startswith(f"{NAME} is described")
    shown(page, "snap")
    for days in (3, 2, 1):
        snap(page, stock[f"day{days}"])
        page.get_by_role("link", name="Snap again").click()
    # Another way in: a photo that was taken before, from the phone's own gallery.
    page.locator("#gallery").set_input_files(stock["day0"])
    page.wait_for_url("**/photo?number=*")
    shown(page, "photo")
    assert "million cells/mL" in page.locator(".answer").inner_text()
    seen = page.locator("figure.shown img")
    assert seen.evaluate("image => image.complete && image.naturalWidth") > 500
    # Wrong photo, no card.
    page.get_by_role("link", name="Snap again").click()
    snap(page, stock["no-card"])
    shown(page, "no-card")
    assert "Not measured: no card found" in page.locator(".headline").inner_text()
    page.get_by_role("link", name="Take it again").click()
    # Today, at a glance; the vessel; its split with one tap, and back.
    page.get_by_role("link", name="Today").click()
    shown(page, "today")
    assert "Split today" in page.locator(".card").inner_text()
    page.get_by_role("link", name=NAME, exact=True).click()
    shown(page, "vessel")
    # Looking back: a small picture leads to its photo.
    page.locator(".strip a").nth(1).click()
    assert "not the newest photo" in page.locator("main").inner_text()
    page.go_back()
    page.get_by_label("Into a bottle in the cold").fill("300")
    page.get_by_role("button", name="Log the split").click()
    shown(page, "split")
    assert "split: kept 225 mL of 900 mL (25 %)" in page.get_by_role("status").first.inner_text()
    page.get_by_role("button", name="Take it back").click()
    taken = page.get_by_role("status").first.inner_text()
    assert taken.count("Taken back:") == 2
    # A slide, square by square, with the big button for some of them.
    page.get_by_role("link", name="Count a slide").click()
    page.get_by_label("Chamber and square").select_option("improved-neubauer/group")
    page.get_by_label("Dilution").fill("10")
    shown(page, "count-begin")
    page.get_by_role("button", name="Count", exact=True).click()
    plus = page.get_by_role("button", name="One more cell")
    cells = round(GROWTH[0] * 4e-6 / 10)
    for off in (1, -2, 0, 2, -1):
        for _ in range(cells + off):
            plus.tap()
        assert page.get_by_label("Cells in this square").input_value() == str(cells + off)
        page.get_by_role("button", name="Next square").click()
    shown(page, "count")
    page.get_by_role("button", name="Take back the last square").click()
    assert page.get_by_role("heading", name="Square 5").is_visible()
    for _ in range(cells - 1):
        plus.tap()
    page.get_by_role("button", name="Done").click()
    shown(page, "count-review")
    assert f"from {5 * cells} cells" in page.locator("dl").inner_text()
    page.get_by_role("button", name="Keep the count").click()
    assert "the count agrees" in page.get_by_role("status").first.inner_text()
    shown(page, "count-kept")
    page.get_by_role("button", name="Let them calibrate").click()
    assert "Calibrated with 1 slide" in page.get_by_role("status").first.inner_text()
    shown(page, "calibrated")


def test_too_dense_leads_to_a_sample_in_a_narrow_bottle(phone, stock):
    page = phone("/")
    describe(page)
    snap(page, stock["dense"])
    shown(page, "dense")
    assert page.locator(".answer").inner_text().startswith("more than")
    page.get_by_role("link", name="Snap again").click()
    page.get_by_text("Too dense?").click()
    page.get_by_label("Diluted to how many times").fill("10")
    shown(page, "snap-diluted")
    snap(page, stock["day0"])
    # Of the culture, ten times as dense as the sample, which a photo by itself reads in millions.
    assert "billion cells/mL" in page.locator(".answer").inner_text()


def test_a_wrong_photo_says_what_is_wrong_and_the_form_is_there_again(phone, stock, tmp_path):
    page = phone("/", refused=True)
    describe(page)
    # Not a photo at all; then a photo of a bottle of another width than the one described.
    wrong = tmp_path / "notes.jpg"
    wrong.write_text("feed the copepods")
    with page.expect_response("**/snap") as answer:
        page.locator("#photo").set_input_files(wrong)
    assert answer.value.status == 400
    page.wait_for_selector("[role=alert]")
    shown(page, "not-a-photo")
    assert "not a photo of a kind that is read" in page.get_by_role("alert").inner_text()
    page.get_by_role("link", name=NAME).click()
    page.get_by_role("link", name="Change its description").click()
    page.get_by_label("Outer width seen from the front").fill("40")
    page.get_by_role("button", name="Keep").click()
    page.get_by_role("link", name="Snap it").click()
    snap(page, stock["day1"])
    shown(page, "wrong-vessel")
    assert "Not measured: not the recorded vessel" in page.locator(".headline").inner_text()
    page.get_by_role("link", name="Take it again").click()
    assert page.get_by_text("Take the photo").is_visible()


def test_a_photo_chosen_before_the_script_has_come_is_sent(phone, stock):
    page = phone("/")
    describe(page)
    held = []
    page.route("**/page.js", lambda asked: asked.continue_() if held else held.append(asked))
    page.goto(page.url, wait_until="commit")
    page.locator("#photo").set_input_files(stock["day1"])
    assert len(held) == 1
    held[0].continue_()
    page.wait_for_url("**/photo?number=*")


def test_a_photo_can_be_sent_again_after_going_back(phone, stock):
    page = phone("/")
    describe(page)
    for _ in range(2):
        snap(page, stock["day1"])
        page.go_back()
        assert page.locator("#photo").evaluate("shot => shot.files.length") == 0


def test_the_page_works_without_its_script(phone, stock):
    page = phone("/", java_script_enabled=False)
    describe(page)
    page.locator("#photo").set_input_files(stock["day1"])
    page.get_by_role("button", name="Read it").click()
    assert "million cells/mL" in page.locator(".answer").inner_text()
    page.get_by_role("link", name="Count a slide of it").click()
    page.get_by_role("button", name="Count", exact=True).click()
    page.get_by_label("Cells in this square").fill("31")
    page.get_by_role("button", name="Next square").click()
    assert "31 cells in 1 square" in page.locator("main").inner_text()
    assert page.get_by_role("button", name="One more cell").count() == 0


def test_the_keyboard_reaches_all_and_shows_where_it_is(phone, stock):
    page = phone("/")
    describe(page)
    shown(page, "keyboard")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    reached = set()
    for _ in range(20):
        page.keyboard.press("Tab")
        here = page.evaluate(FOCUSED)
        reached.add(here[0])
        if here[0]:
            assert here[1] != "none", here
    assert {"vessel", "photo", "gallery", "Today", "Snap", "Cold", "More"} <= reached


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_that_keeps_people_out(phone, axe, stock, scheme):
    page = phone("/", scheme=scheme)
    found: list[str] = []

    def look(name: str) -> None:
        shown(page, f"{name}-{scheme}")
        for fold in page.locator("details").all():
            fold.evaluate("fold => { fold.open = true }")
        page.evaluate(axe)
        told = page.evaluate("axe.run(document)")
        assert told["passes"], "axe looked at nothing"
        found.extend(
            f"{name}: {v['id']}: {v['help']}: {[n['html'][:120] for n in v['nodes'][:3]]}"
            for v in told["violations"]
        )

    look("start")
    page.goto(page.url.replace("/start", "/vessel/new"))
    look("vessel-new")
    base = page.url.removesuffix("/vessel/new")
    page.goto(base)
    describe(page)
    look("snap")
    for days in (3, 2, 1, 0):
        snap(page, stock[f"day{days}"])
        if days:
            page.go_back()
    look("photo")
    page.get_by_role("link", name="The split plan").click()
    look("vessel")
    page.get_by_label("Into a bottle in the cold").fill("300")
    page.get_by_role("button", name="Log the split").click()
    look("split")
    for name, where in (
        ("today", "/"),
        ("bottles", "/bottles"),
        ("more", "/more"),
        ("print", "/print"),
        ("help", "/help"),
        ("first-steps", "/help/begin"),
        ("accuracy", "/help/accuracy"),
        ("commands", "/help/commands"),
    ):
        page.goto(base + where)
        look(name)
    page.goto(base)
    page.get_by_role("link", name=NAME, exact=True).click()
    for link in ("Log work", "Count a slide", "Slides and calibration", "Change its description"):
        page.get_by_role("link", name=link).click()
        look(link)
        page.go_back()
    page.get_by_role("link", name="Count a slide").click()
    page.get_by_role("button", name="Count", exact=True).click()
    look("count")
    page.get_by_label("Cells in this square").fill("31")
    page.get_by_role("button", name="Done").click()
    look("count-review")
    page.get_by_role("button", name="Keep the count").click()
    look("calibration")
    assert found == []
