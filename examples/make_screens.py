"""Picture the lesson for the README: the practice page in mid-play and at rest, and a sheet.

Needs Chromium with chromedriver and a lesson that `make demo` has made in `out/lesson`.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # for the browser of the tests

from tests.backing.page.browser import Browser, missing  # noqa: E402
from tests.backing.page.opened import fresh  # noqa: E402

PAGE = HERE.parent / "out" / "lesson" / "01-screen-door" / "01-screen-door_practice.html"
SHEET = HERE / "lesson" / "screen-door.toml"
# Width, height, and the bar and beat that sounds; None is a page at rest.
PICTURES: dict[str, tuple[int, int, tuple[int, int] | None]] = {
    "page-desktop.png": (1280, 800, (2, 2)),
    "page-phone.png": (390, 844, (2, 2)),
    "page-phone-turn.png": (844, 390, (3, 2)),
    "page-rest.png": (1280, 800, None),
}


def main(folder: Path = HERE, page: Path = PAGE) -> int:
    """Write the pictures; return an exit code."""
    why = missing() or ("" if page.exists() else f"{page} is missing; run `make demo` before")
    if why:
        print(why, file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as profile, Browser(Path(profile)) as browser:
        for name, (width, height, place) in PICTURES.items():
            fresh(browser, page)
            browser.size(width, height, touch=width < 1000)
            if place is not None:
                browser.keys("pagedown")  # the call sounds, the response is the student's
                bar, beat = place
                browser.until(
                    f"return document.querySelector('#bar').textContent === 'Bar {bar}' &&"
                    f" document.querySelector('#beats .on')?.textContent === '{beat}'",
                )
            browser.picture(folder / name)
    backing = Path(sys.executable).with_name("backing")
    sheet = str(folder / "screen-door.svg")
    subprocess.run(
        [backing, "sheet", SHEET, "-o", sheet, "--force"], check=True, stdout=subprocess.DEVNULL
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
