"""Take the README's picture of the demo's report: python demo/take_picture.py REPORT.html.

Needs the `test` extra and Chromium. Run it again when the report's look or numbers change.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright


def main() -> None:
    page_url = Path(sys.argv[1]).resolve().as_uri()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 820, "height": 1180})
        page.goto(page_url)
        page.screenshot(path=str(Path(__file__).with_name("report.png")))
        browser.close()


if __name__ == "__main__":
    main()
