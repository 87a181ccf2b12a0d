"""Makes the picture of the stage page from the real one, in Chromium: the demo's rig, played for a moment.

python -m tests.bench.stage_picture        # writes configs/stage.png; look at it

`--sizes FOLDER` puts pictures of both views at every size and in both themes there instead, to be looked at
after a change.
"""

from __future__ import annotations

import argparse
import io
import tempfile
from pathlib import Path

from PIL import Image

from tests.system.stage_page import Tab, a_stage, chromium

PICTURE = Path(__file__).parents[2] / "configs" / "stage.png"
SIZES = {
    "ten": (1280, 800),
    "ten-upright": (800, 1280),
    "seven": (1024, 600),
    "thirteen": (1366, 1024),
    "phone": (390, 844),
    "phone-on-its-side": (844, 390),
}
THEMES = {"dark": "dark", "bright": "light"}


def main(folder: Path | None) -> None:
    """Play the demo and take the pictures."""
    with a_stage(Path(tempfile.mkdtemp())) as service, chromium() as browser:
        service.ask("POST", "/v1/start")
        service.ask("POST", "/v1/section", {"section": 2})
        service.ask("POST", "/v1/done", {"number": 1})
        service.ask("POST", "/v1/section", {"section": "chorus", "when": "bar 17"})
        if folder is None:
            tab = Tab(browser, service, color_scheme="dark").live()
            tab.until_text("#bar", "4")
            picture = Image.open(io.BytesIO(tab.page.screenshot())).convert("RGB")
            # 64 colours are all that there are; what is smoothed between them is not missed
            picture.quantize(64, dither=Image.Dither.NONE).save(PICTURE, optimize=True)
            tab.close()
            return
        for view in ("player", "technician"):
            for size, (width, height) in SIZES.items():
                for theme, scheme in THEMES.items():
                    path = "/stage" if view == "player" else "/stage/technician"
                    viewport = {"width": width, "height": height}
                    tab = Tab(browser, service, path, color_scheme=scheme, viewport=viewport).live()
                    if view == "technician":
                        tab.page.wait_for_selector("#wires tr")
                    else:
                        tab.page.wait_for_selector(".bead:not([hidden])")
                    file = folder / f"{view}-{size}-{theme}.png"
                    tab.page.screenshot(path=str(file), full_page=view == "technician")
                    tab.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=Path, default=None)
    main(parser.parse_args().sizes)
