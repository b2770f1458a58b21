"""One look at the picture: everything it tells, as a `Sighting`."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.sighting import SeenLight, Sighting
from studiobridge.witness.learned import Codes, Kept, Learned
from studiobridge.witness.solving import Solver


class Seeing:
    """Looks at one frame after another of one camera.

    `look` takes the frame's codes (rows × columns × BGR), when it was taken by the bridge's clock
    (None where no bridge was heard), how old it is (s), and the presets that are wanted now.
    """

    def __init__(
        self, learned: Learned, kept: Kept | None, profile: SetProfile, run: str = ""
    ) -> None:
        self.solver = Solver(learned)
        self.kept, self.profile, self.run = kept, profile, run
        self.made, self.frame = learned.made, 0

    def look(
        self,
        codes: Codes,
        taken: float | None,
        age: float,
        wanted: Mapping[str, Preset] | None = None,
    ) -> Sighting:
        """What this frame and those before it tell. Raises ValueError for what is no frame."""
        if codes.dtype != np.uint8 or codes.ndim != 3 or codes.shape[2] != 3:
            raise ValueError("a frame is rows × columns × 3 of bytes")
        if (codes.shape[1], codes.shape[0]) != self.solver.size:
            width, height = self.solver.size
            raise ValueError(
                f"a frame of {codes.shape[1]} × {codes.shape[0]} px; {width} × {height} was learned"
            )
        self.frame += 1
        solved = self.solver.look_at(codes)
        lights = {
            name: SeenLight(level.amount, cct=level.cct, tells=level.tells)
            for name, level in solved.levels.items()
        }
        return Sighting(
            self.run,
            self.frame,
            taken,
            age,
            learned=self.made,
            kept=self.kept.look if self.kept else None,
            kept_at=self.kept.made if self.kept else None,
            lights=lights,
            covered=solved.covered,
            residual=solved.residual,
        )
