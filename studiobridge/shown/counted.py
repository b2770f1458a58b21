"""What of a set can confirm how it stands, and what only a person or nothing can, counted once."""

from __future__ import annotations

from studiobridge.profile.model import SetProfile
from studiobridge.shown import words

# How what cannot speak is known, in the order it is said; the last is for all the rest.
KNOWN_BY = {
    "watts": "the watts of a plug tell",
    "picture": "the camera's picture tells",
    "hand": "only a person can tell",
    "": "nothing tells more than whether its plug gives power",
}


def counted(profile: SetProfile) -> list[str]:
    """Every device in one of these lines, and in no other."""
    devices = profile.devices.values()
    speak = [d.name for d in devices if d.hears]
    lines = []
    if speak:
        how = "says itself how it stands" if len(speak) == 1 else "say themselves how they stand"
        lines.append(f"{len(speak)} {how}: those are meant by 'heard'")
    for proof, known in KNOWN_BY.items():
        names = [d.name for d in devices if not d.hears and _known(d.proof) == proof]
        if names:
            lines.append(f"of {len(names)} {known}: {words.listed(names)}")
    return lines


def _known(proof: str) -> str:
    return proof if proof in KNOWN_BY else ""
