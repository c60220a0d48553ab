"""The README's pictures, taken of real pages: `python -m tests.lab.pictures`.

The report is that of the demonstration's last visit, the desk's page shows
250 invented visits. Needs chromium and chromium-driver.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from PIL import Image
from selenium import webdriver

from assistant.records.importing import Journal, import_events
from assistant.records.store import open_store
from tests.desk.conftest import chromium, running
from tests.lab.invented.visits import invented_visits

HERE = Path(__file__).parent / "pictures"
WIDTH, REPORT_HEIGHT, DESK_HEIGHT = 1000, 1150, 760
"""CSS pixels."""
COLOURS = 48
"""Enough for pages with one palette; a fifth of the bytes."""


def report_page(folder: Path) -> Path:
    """The report of a demonstration visit that finds something. Takes a minute."""
    subprocess.run([sys.executable, "-m", "assistant", "demo", "--out", str(folder)], check=True)
    visit = sorted(path.parent for path in folder.glob("*/journal.jsonl"))[-1]
    subprocess.run([sys.executable, "-m", "assistant", "report", str(visit), "--format", "html"], check=True)
    return visit / "report.html"


@contextlib.contextmanager
def desk_page(folder: Path) -> Iterator[tuple[str, str]]:
    """A desk with invented visits: its address and the token to look with."""
    made = list(invented_visits(250, seed=31))
    with open_store(str(folder / "desk.sqlite")) as store:
        import_events(store, [Journal(events, False, "simulated") for events in made])
        serving = running(store, folder, made)
        served = next(serving)
        yield served.url, served.desk.access.look
        with contextlib.suppress(StopIteration):
            next(serving)


def taken(browser: webdriver.Chrome, height: int) -> Image.Image:
    """What the browser shows, `height` CSS pixels from the top."""
    shown = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
    return shown.crop((0, 0, shown.width, min(shown.height, height))).quantize(COLOURS)


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.pictures", description=__doc__)
    asked.add_argument("--into", type=Path, default=HERE)
    given = asked.parse_args()
    given.into.mkdir(exist_ok=True)
    browser = chromium(WIDTH)
    sized = {"width": WIDTH, "height": REPORT_HEIGHT, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", sized)
    try:
        with tempfile.TemporaryDirectory() as work:
            browser.get(report_page(Path(work)).as_uri())
            taken(browser, REPORT_HEIGHT).save(given.into / "report.png", optimize=True)
        with tempfile.TemporaryDirectory() as work, desk_page(Path(work)) as (url, token):
            browser.get(url)
            browser.find_element("name", "token").send_keys(token)
            browser.find_element("css selector", "form button").click()
            browser.get(f"{url}/faults")
            taken(browser, DESK_HEIGHT).save(given.into / "desk.png", optimize=True)
    finally:
        browser.quit()
    for path in sorted(given.into.glob("*.png")):
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
