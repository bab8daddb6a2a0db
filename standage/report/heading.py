"""What its owner writes on a report: title, place, crew, date and logo."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from pathlib import Path

from matplotlib.image import imread

from standage.errors import StandageError
from standage.survey.limits import TooLarge, content_of

SIGNATURES = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
LARGEST_LOGO = 1_000_000  # a page that holds it should still go by mail (assumption) [bytes]


@dataclass(frozen=True)
class Heading:
    """The head of a report, each part blank where it isn't given. logo: bytes of a PNG or JPEG."""

    title: str = ""
    place: str = ""
    crew: str = ""
    date: str = ""
    logo: bytes = b""

    @property
    def lines(self) -> tuple[str, ...]:
        """Place, crew and date, those that are given."""
        return tuple(line for line in (self.place, self.crew, self.date) if line)

    @property
    def logo_address(self) -> str:
        """The logo as a `data:` address, which a page holds in itself; blank without one."""
        if not self.logo:
            return ""
        return f"data:{image_type(self.logo)};base64,{base64.b64encode(self.logo).decode('ascii')}"


NO_HEADING = Heading()


def image_type(data: bytes) -> str:
    """`image/png` or `image/jpeg` by how a file begins; blank for anything else."""
    found = (kind for begin, kind in SIGNATURES.items() if data.startswith(begin))
    return next(found, "")


def read_logo(path: str | Path) -> bytes:
    """The picture in a file. Raises StandageError where it is no PNG or JPEG, or too large."""
    try:
        data = content_of(Path(path))
    except OSError as error:
        found = f"a file that can't be read ({error.strerror})"
    except TooLarge as error:
        found = str(error).split("\n")[0]
    else:
        if not image_type(data):
            found = "no PNG and no JPEG"
        elif len(data) > LARGEST_LOGO:
            found = f"a picture of {len(data) / 1e6:.1f} megabytes"
        elif not _opens(data):
            found = "a picture that is damaged or too large to be opened"
        else:
            return data
    raise StandageError.at(
        path,
        found,
        f"a picture as PNG or JPEG of at most {LARGEST_LOGO / 1e6:.0f} megabyte",
        "Choose another one with --logo, or leave it out.",
    )


def _opens(data: bytes) -> bool:
    try:
        imread(io.BytesIO(data), format=image_type(data).removeprefix("image/"))
    except Exception:  # libraries have many names for a picture that they can't read
        return False
    return True
