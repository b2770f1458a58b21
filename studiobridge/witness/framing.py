"""Where the camera looks against where it did, and whether it is as sharp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.sighting import SeenFraming
from studiobridge.witness.learned import Codes, Kept

Mask = NDArray[np.bool_]


class Framer:
    """Holds frames against one kept picture, whose half of the work is done once."""

    def __init__(self, kept: Kept) -> None:
        self.kept = kept

    def look(self, codes: Codes, usable: Mask | None = None) -> SeenFraming | None:
        """None where it cannot be told: nothing with edges in it, or all of it covered.

        `usable`: rows × columns, False where somebody stands; None: nobody was looked for.
        """
        return None


def framing(kept: Kept, codes: Codes, usable: Mask | None = None) -> SeenFraming | None:
    """One frame against a kept picture; see `Framer`."""
    return Framer(kept).look(codes, usable)
