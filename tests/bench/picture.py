"""Makes the README's picture of a terminal from the real program: the demo's rig, played for a moment.

    python -m tests.bench.picture        # writes configs/terminal.svg; look at it

The service runs on simulated ports; `routerd status` and `routerd explain` are asked as anybody would, and
what they print is drawn. Nothing in the picture asks for anything outside itself.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import DEFAULT_TERMINAL_THEME
from rich.text import Text

from tests.service import Service

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / "configs" / "terminal.svg"
DEMO = ROOT / "configs" / "demo"
COLUMNS = 112

FORM = """\
<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img" aria-label="A terminal">
<style>
.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<defs><clipPath id="{unique_id}-clip-terminal"><rect width="100%" height="100%"/></clipPath>{lines}</defs>
<rect fill="#ffffff" stroke="#888888" x="1" y="1" width="{terminal_width}" height="{terminal_height}" rx="6"/>
<g transform="translate(9, 9)" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}<g class="{unique_id}-matrix">{matrix}</g>
</g>
</svg>
"""


def printed(*words: str) -> str:
    """Return what a command prints, as on a terminal."""
    command = [sys.executable, "-m", "routerd.cli", *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    return done.stdout


def main() -> None:
    """See the module's head."""
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True, highlight=False)
    with (
        tempfile.TemporaryDirectory() as state,
        Service(DEMO, Path(state), "--ports", "simulated") as service,
    ):
        service.wait_until_open()
        service.ask("POST", "/v1/section", {"section": "verse"})
        service.ask("POST", "/v1/start")
        service.ask("POST", "/v1/section", {"section": "chorus", "when": "4 bars"})
        shown = {
            "status": printed("status", "--listen", f"127.0.0.1:{service.http}"),
            'explain configs/demo --song "Nine Lamps" --device keys --message "90 3C 64"': printed(
                "explain", "configs/demo", "--song", "Nine Lamps", "--device", "keys", "--message", "90 3C 64"
            ),
        }
    for words, lines in shown.items():
        console.print(Text(f"$ routerd {words}", style="bold"))
        console.print(Text(lines))
    PICTURE.write_text(console.export_svg(theme=DEFAULT_TERMINAL_THEME, code_format=FORM), encoding="utf-8")


if __name__ == "__main__":
    main()
