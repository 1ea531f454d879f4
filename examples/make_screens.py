"""Picture the lesson for the README: the practice page at desktop and phone size, and a sheet.

Needs Chromium and a lesson that `make demo` has made in `out/lesson`.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
PAGE = HERE.parent / "out" / "lesson" / "01-screen-door" / "01-screen-door_practice.html"
SHEET = HERE / "lesson" / "screen-door.toml"
SIZES = {"page-desktop.png": (1280, 800), "page-phone.png": (390, 844)}
# What a browser without a screen, a user or a network needs.
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--no-first-run", "--hide-scrollbars", "--force-device-scale-factor=1",
)  # fmt: skip


def main(folder: Path = HERE) -> int:
    """Write the pictures; return an exit code."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None or not PAGE.exists():
        print("needs Chromium, and `make demo` before", file=sys.stderr)
        return 1
    for name, (width, height) in SIZES.items():
        with tempfile.TemporaryDirectory() as profile:
            subprocess.run(
                [
                    browser, *FLAGS, f"--user-data-dir={profile}",
                    f"--window-size={width},{height}", f"--screenshot={folder / name}",
                    PAGE.as_uri(),
                ],
                check=True,
                stderr=subprocess.DEVNULL,
            )  # fmt: skip
    backing = Path(sys.executable).with_name("backing")
    sheet = str(folder / "screen-door.svg")
    subprocess.run([backing, "sheet", SHEET, "-o", sheet], check=True, stdout=subprocess.DEVNULL)
    return 0


if __name__ == "__main__":
    sys.exit(main())
