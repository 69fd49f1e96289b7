"""The line that stands on every surface: page, print, terminal, JSON, CSV."""

from typing import Final

BANNER: Final = "EXERCISE - NOT FOR PATIENT CARE"
