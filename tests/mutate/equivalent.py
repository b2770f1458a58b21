"""Faults that change nothing anyone could see: file, the changed lines, and the reason.

Keyed by what `python -m tests.mutate` prints (the lines with their signs), not by line number,
so that an entry holds as long as its line stands and is asked about again once it changes.
"""

from __future__ import annotations

EQUIVALENT: dict[tuple[str, ...], str] = {
    (
        "studiobridge/craft/colour.py",
        "- i = min(max(math.floor(place), 1), len(UV) - 3)",
        "+ i = min(max(math.floor(place), 1), len(UV) - 4)",
    ): "every white lies two rows inside the table, where either four rows say the same to 1e-8",
    (
        "studiobridge/control/belief.py",
        "- self.epoch = 0",
        "+ self.epoch = 1",
    ): "an epoch is only ever compared with another of the same device",
    (
        "studiobridge/control/belief.py",
        "- self.off_since = NEVER  # when it said off for the first time since it last said on",
        "+ pass  # when it said off for the first time since it last said on",
    ): "read only of a switch whose last word is off, and that word sets it",
    (
        "studiobridge/control/gates.py",
        "- self._token = 0",
        "+ self._token = 1",
    ): "a token is only ever compared with another",
    (
        "studiobridge/speech/far_end.py",
        '- self._mapped = MappedDevice(self.device, profile.dialects[self.device.speaks or ""])',
        "+ self._mapped = MappedDevice(self.device, profile.dialects[(self.device.speaks)])",
    ): "a device that speaks nothing is a KeyError either way",
}
