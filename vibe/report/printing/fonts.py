"""The one family of letters that pages and pictures are set in, and a font configuration that knows nothing else.

DejaVu comes with matplotlib, licence and all, so it is there wherever vibe is installed. Lines and pages then break at
the same places on every machine, whatever fonts it has: many, others, or none at all.
"""

from __future__ import annotations

import os
import shutil
from importlib.util import find_spec
from pathlib import Path
from xml.sax.saxutils import escape

FAMILY, MONOSPACE = "DejaVu Sans", "DejaVu Sans Mono"
FACES = (
    "DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf", "DejaVuSans-BoldOblique.ttf",
    "DejaVuSansMono.ttf", "DejaVuSansMono-Bold.ttf",
)  # fmt: skip
"""Files of the faces that pages use."""
VARIABLE = "FONTCONFIG_FILE"
"""Names the font configuration to the libraries that set text; read when they are loaded."""
_OTHERS = ("FONTCONFIG_PATH", "FONTCONFIG_SYSROOT")
"""Would put other places before those that a configuration names."""


def font_files() -> list[Path]:
    """Where the faces are.

    Raises:
        OSError: they are not installed.
    """
    found = find_spec("matplotlib")
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" if found and found.origin else Path()
    files = [folder / name for name in FACES]
    missing = [path.name for path in files if not path.is_file()]
    if missing:
        raise OSError(f"the font {missing[0]} is missing; install matplotlib again")
    return files


def environment(folder: Path) -> dict[str, str]:
    """This process's environment with a font configuration written into ``folder``, which must outlive its use.

    Raises:
        OSError: the faces are not installed, or the folder cannot be written.
    """
    faces = folder / "faces"
    faces.mkdir()
    for path in font_files():
        try:
            (faces / path.name).symlink_to(path.resolve())
        except (OSError, NotImplementedError):  # a system that allows links to few
            shutil.copyfile(path, faces / path.name)
    target = folder / "fonts.conf"
    target.write_text(configuration(faces, folder / "cache"), encoding="utf-8")
    kept = {name: value for name, value in os.environ.items() if name not in _OTHERS}
    return kept | {VARIABLE: str(target)}


def configuration(faces: Path, cache: Path) -> str:
    """A font configuration of the files in ``faces`` alone, for any family that is asked for."""
    aliases = [("serif", FAMILY), ("sans-serif", FAMILY), ("monospace", MONOSPACE)]
    named = "".join(
        f"<alias binding='same'><family>{generic}</family><prefer><family>{family}</family></prefer></alias>\n"
        for generic, family in aliases
    )
    return (
        "<?xml version='1.0'?>\n<!DOCTYPE fontconfig SYSTEM 'urn:fontconfig:fonts.dtd'>\n<fontconfig>\n"
        f"<dir>{escape(str(faces))}</dir>\n<cachedir>{escape(str(cache))}</cachedir>\n{named}"
        "<match target='pattern'><edit name='family' mode='append_last'>"
        f"<string>{FAMILY}</string></edit></match>\n</fontconfig>\n"
    )
