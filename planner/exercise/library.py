"""The library of injects: in our own words, with blanks for tags of the incident."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

BLANKS = frozenset({"patient", "cylinder", "place"})
_BLANK = re.compile(r"\{(patient|cylinder|place)\}")


@dataclass(frozen=True, slots=True)
class Sample:
    """An inject to choose from; its texts have blanks such as ``{cylinder}``."""

    name: str
    sender: str
    receiver: str
    text: str
    expected: str

    @property
    def blanks(self) -> frozenset[str]:
        """What has to be filled in."""
        whole = f"{self.sender} {self.receiver} {self.text} {self.expected}"
        return frozenset(_BLANK.findall(whole))

    def filled(self, tags: Mapping[str, str]) -> Sample:
        """Return it with its blanks filled in.

        Raises
        ------
        KeyError
            For a blank that is not among the tags.
        """
        missing = self.blanks - set(tags)
        if missing:
            raise KeyError(f"{self.name} needs {', '.join(sorted(missing))}")

        def fill(text: str) -> str:  # in one pass: a tag that looks like a blank is none
            return _BLANK.sub(lambda blank: tags[blank[1]], text)

        return Sample(
            self.name, fill(self.sender), fill(self.receiver), fill(self.text), fill(self.expected)
        )


@cache
def load_library() -> Mapping[str, Sample]:
    """Return the library by name, in its order."""
    text = resources.files("planner.exercise").joinpath("library.toml").read_text(encoding="utf-8")
    return {row["name"]: Sample(**row) for row in tomllib.loads(text)["injects"]}
