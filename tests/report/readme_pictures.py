"""Make the pictures of README.md from a result folder: python tests/report/readme_pictures.py RESULT data_demo/pictures"""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path

from PIL import Image
from report_browser import Browser, find

WIDTH, SCALE, LARGEST_BYTE = 1320, 1.5, 250_000


def main(result: Path, folder: Path) -> None:
    """Save the first screen, the strip with the map, and the linked view with the first dropout selected."""
    program = find()
    if program is None:
        raise SystemExit("readme_pictures: no Chromium found; install one, then run this again")
    folder.mkdir(parents=True, exist_ok=True)
    with Browser(program) as page:
        page.media()
        _size(page, 1160)
        page.open(result / "report.html")
        _save(page, folder / "report_top.webp")
        top, end = (page.run(f"document.querySelector('{what}').getBoundingClientRect().top + scrollY")
                    for what in ("figure", "#cannot-show"))
        _size(page, round(end - top))
        page.run(f"window.scrollTo(0, {top - 6})")
        _save(page, folder / "route_strip.webp")
        _size(page, 874)
        page.run("document.querySelector('#dropouts tbody button').click()")
        time.sleep(1.5)
        _save(page, folder / "linked_view.webp")


def _size(page: Browser, height: int) -> None:
    page.call("Emulation.setDeviceMetricsOverride", width=WIDTH, height=height, deviceScaleFactor=SCALE, mobile=False)


def _save(page: Browser, path: Path) -> None:
    """Save what the window shows as a small picture."""
    shot = path.with_suffix(".png")
    page.picture(shot)
    whole = Image.open(io.BytesIO(shot.read_bytes())).convert("RGB")
    shot.unlink()
    width = 1400
    whole.resize((width, round(whole.height * width / whole.width)), Image.Resampling.LANCZOS).save(path, "WEBP", quality=82, method=6)
    if path.stat().st_size > LARGEST_BYTE:
        raise SystemExit(f"readme_pictures: {path} is larger than {LARGEST_BYTE} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
