"""Is the camera set by hand? Exposure or white on automatic makes every other word a guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.profile.sighting import Band
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture


@dataclass(frozen=True, slots=True)
class Setting:
    """How the camera is set against how it was when the lamps were learned.

    `exposure` in stops (+ brighter), `white` in stops of red against green and blue against
    green; None where nothing says. `gains` is what the linear picture has to be divided by,
    blue, green, red, for the rest of a look to go on with. `auto_exposure`, `auto_white`: it
    moves by itself.
    """

    exposure: Band | None
    white: tuple[float, float] | None
    gains: tuple[float, float, float]
    auto_exposure: bool
    auto_white: bool


class Automatic:
    """A small machine that is fed each frame, in order."""

    def __init__(self, learned: Learned) -> None:
        self.learned = learned

    def look(
        self,
        light: Picture,
        expected: Mapping[str, tuple[float, float | None]] | None = None,
        usable: Mask | None = None,
    ) -> Setting:
        """One frame in linear light.

        `expected`: what each lamp should give by all that is known (share of its full light,
        white in K), changes that were told included. `usable` as in `framing`.
        """
        return Setting(None, None, (1.0, 1.0, 1.0), False, False)
