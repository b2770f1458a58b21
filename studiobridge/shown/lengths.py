"""Lengths as they are shown: in metres or in feet and inches, as the profile writes its own."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from studiobridge.craft.space import feet_and_inches
from studiobridge.profile.model import MARK
from studiobridge.shown.tongue import figure


@dataclass(frozen=True, slots=True)
class Lengths:
    """Lengths (m in, text out) of a set; `feet`: its profile is written in feet and inches."""

    feet: bool = False

    def one(self, metres: Fraction | float) -> str:
        """`1.30 m`, or `4 ft 3 1/4 in`: to a centimetre or a quarter inch."""
        return self.pair(metres)[0]

    def pair(self, metres: Fraction | float) -> tuple[str, str]:
        """The length as the set is written, and the same the other way."""
        both = (f"{figure(float(metres), '.2f')} m", feet_and_inches(Fraction(metres)))
        return both[::-1] if self.feet else both

    def tape(self, metres: Fraction | float) -> str:
        """`2.085 m`, or `9 ft 4 3/8 in`: to be measured out, to half a centimetre or an eighth."""
        if self.feet:
            return feet_and_inches(Fraction(metres), Fraction(1, 8))
        return f"{round(float(metres) * 200) / 200:.3f}".removesuffix("0") + " m"

    def small(self, metres: Fraction | float) -> str:
        """A length less than a person: `31 cm`, or `12 1/4 in`."""
        if self.feet:
            return feet_and_inches(Fraction(metres))
        return f"{float(metres) * 100:.0f} cm" if abs(float(metres)) < 1 else self.one(metres)

    def both(self, metres: Fraction | float) -> str:
        """`1.30 m (4 ft 3 1/4 in)`, or `4 ft 3 1/4 in (1.30 m)`."""
        first, other = self.pair(metres)
        return f"{first} ({other})"

    def short(self, metres: Fraction | float) -> str:
        """`18 cm, 7 in`, or `7 in, 18 cm`: a piece of a drawing."""
        both = (f"{float(metres) * 100:.0f} cm", feet_and_inches(Fraction(metres)))
        return ", ".join(both[::-1] if self.feet else both)

    def two_truths(self, name: str, by_chain: Fraction, by_place: float) -> str:
        """The chain of a room and the places in it say two things about the mark or a device."""
        what = "the mark" if name == MARK else f"'{name}'"
        return (
            f"the chain puts {what} {self.one(by_chain)} from the back wall, and its place says"
            f" {self.one(by_place)}"
        )

    @property
    def tick(self) -> float:
        """Between two marks of a drawing's scale (m): half a metre, or a foot."""
        return 0.3048 if self.feet else 0.5

    def scale(self, mark: int) -> str:
        """What stands at every second mark of a scale: `2 m` at the fourth, or `4 ft`."""
        return f"{mark} ft" if self.feet else f"{mark / 2:g} m"
