"""Whether a camera rolls, and on what evidence.

The rules:

- By `report`: the camera says so itself. It rolls from its report on until it says that it does
  not, or a person says so against it.
- By `watts`: a meter that feeds nothing but this camera. One fresh sample of `from` or more and it
  rolls. It has stopped by two samples in a row, SAMPLES_APART of each other, that lie under `from`
  by more than a meter errs; in between it is as it was. While it boots nothing counts. What the
  last sample said holds for SAMPLE_HOLDS: then it is not known any more, the meter is asked, and
  so is the person.
- By `hand`: nobody knows but a person. That it rolls, once said, holds until a person says that
  it has stopped, however long that is: but after ASKED_AGAIN a run-down asks anew. That it has
  stopped holds for WORD_HOLDS, and no longer than the evening it was said in.
- What is not known keeps no light from being changed, and keeps every camera's power: a run-down
  waits for the word of a person. What rolls keeps both.
- A person's word bears on every camera. "It rolls" is believed whatever the watts say, until the
  watts have seen that take and its end. "It has stopped" holds for WORD_HOLDS against watts that
  were high before: then the watts are believed again. A rise of the watts ends it at once.
- A camera that lost its mains rolls no more as far as watts can tell; a person's word stays, for it
  may have a battery. When the link was lost, or the bridge was, what rolled rolls and the rest is
  not known.
"""

from __future__ import annotations

from studiobridge.profile.model import Device, RollsBy

NEVER = float("-inf")
# A person's word that a camera has stopped holds so long (s): time to reach for the switch. Any
# longer, and it could have been started again.
WORD_HOLDS = 10.0
# A person's word that a camera rolls is asked about anew after so long (s): few takes are longer,
# and many cameras end a clip after half an hour of themselves. Common practice, from memory.
ASKED_AGAIN = 1800.0
# What a meter said last holds so long (s): plugs report every 1 to 10 s (common practice).
SAMPLE_HOLDS = 12.0
# Two samples nearer to each other than this (s) are one that came twice.
SAMPLES_APART = 1.0
# A meter errs by so much (W, and share of the threshold): steps of 0.1 to 1 W and 1 to 2 % are
# common practice, and a camera takes no more than 0.5 to 2 W more while it rolls.
ERRS_WATTS = 0.2
ERRS_SHARE = 0.02


class Rolling:
    """One camera's take. Times are of the controller's clock (s)."""

    __slots__ = (
        "_device",
        "_low_from",
        "_overruled_until",
        "_seen",
        "high_at",
        "low_at",
        "sample_at",
        "watts",
        "word",
    )

    def __init__(self, device: Device) -> None:
        self._device = device
        # a person's word, and when: NEVER where it was said to the bridge before this one
        self.word: tuple[bool, float] | None = None
        # by its watts: rolls, has stopped, or not known
        self.watts: bool | None = None
        self.sample_at = NEVER
        # the last samples above and below: between them it began or ended
        self.high_at = NEVER
        self.low_at = NEVER
        self._low_from: float | None = None
        self._overruled_until = NEVER
        # the watts have seen the take that a person spoke of
        self._seen = False

    # ---- evidence comes in ---------------------------------------------------------------

    def say(self, rolling: bool, at: float) -> None:
        """A person says whether it rolls."""
        self.word = (rolling, at)
        self._seen = False
        if not rolling:
            if self.watts is True:
                self._overruled_until = at + WORD_HOLDS
            self.watts = None

    def remembered(self, by: RollsBy) -> None:
        """It rolled when the bridge before this one stopped."""
        if by == "watts":
            self.watts = True
        else:
            self.word = (True, NEVER)

    def sample(self, watts: float, at: float) -> None:
        """A fresh sample of what it takes (W)."""
        self.sample_at = at
        threshold = self._device.rolls.threshold if self._device.rolls is not None else 0.0
        if watts >= threshold:
            self._low_from = None
            self.high_at = at
            if at > self._overruled_until:
                self.watts = True
                self._seen = True
                if self.word is not None and not self.word[0]:
                    self.word = None
            return
        self._overruled_until = NEVER
        self.low_at = at
        if watts >= threshold - max(ERRS_WATTS, ERRS_SHARE * threshold):
            self._low_from = None
            return
        if self._low_from is None:
            self._low_from = at
        elif at - self._low_from >= SAMPLES_APART - 1e-6:
            self.watts = False
            if self.word is not None and self.word[0] and self._seen:
                self.word = None

    def mains_went(self) -> None:
        """What its meter says of it is of another time."""
        self.watts = None
        self._forget_samples()

    def link_came(self) -> None:
        """Nobody knows what the meter said meanwhile: what rolled rolls."""
        if self.watts is False:
            self.watts = None
        self._forget_samples()

    def _forget_samples(self) -> None:
        self.sample_at = self.low_at = NEVER
        self._low_from = None
        self._overruled_until = NEVER

    def forget_stopped(self) -> None:
        """A person's word that it had stopped says nothing any more: it may roll again."""
        if self.word is not None and not self.word[0]:
            self.word = None

    # ---- questions -----------------------------------------------------------------------

    @property
    def rolls(self) -> bool:
        """By a person's word or by its watts, whichever says so."""
        return (self.word is not None and self.word[0]) or self.watts is True

    def stopped_by_watts(self, at: float) -> bool:
        """Do its watts prove that it does not roll now?"""
        return self.watts is False and at <= self.sample_at + SAMPLE_HOLDS

    def spoken_since(self, since: float) -> bool:
        """Has a person said after this, or a little before it, whether it rolls?"""
        return self.word is not None and self.word[1] >= since - WORD_HOLDS

    def worth_asking(self, at: float) -> bool:
        """Does it roll by nothing but a word from long ago?"""
        said = self.word is not None and self.word[0]
        return said and self.watts is not True and self.word[1] < at - ASKED_AGAIN  # type: ignore[index]
