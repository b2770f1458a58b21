"""What `room --fit` is asked: lenses, a framing, what one does without. Names are checked here."""

from __future__ import annotations

from collections.abc import Iterable

from studiobridge.cli import printed_fit, readings, show
from studiobridge.cli.base import BAD_INPUT, Stop
from studiobridge.figures.depth import excluding
from studiobridge.figures.fitting import fit_of
from studiobridge.figures.framing import FRAMINGS
from studiobridge.profile.findings import nearest
from studiobridge.profile.model import SetProfile, Variation
from studiobridge.profile.quantity import FOCAL, parse
from studiobridge.shown import words

# More lenses than anybody owns, and a table that nobody reads.
MOST_LENSES = 12


def fit(
    profile: SetProfile,
    lens: str | None,
    framing: str | None,
    without: str | None,
    backdrop: str | None,
    as_json: bool,
) -> None:
    """Solve the room for what is asked, and print it. Raises Stop for a name there is not."""
    lenses = _lenses(lens)
    framings = _framings(framing)
    chosen = None if without is None else _variations(profile, without)
    _backdrop(profile, backdrop)
    names = None if chosen is None else [variation.name for variation in chosen]
    found = fit_of(profile, lenses, framings, names, backdrop)
    if as_json:
        show.print_json(readings.plain(found))
    else:
        printed_fit.print_fit(profile, found)


def _listed(text: str, option: str) -> list[str]:
    parts = [part.strip() for part in text.split(",")]
    if not all(parts):
        raise Stop(BAD_INPUT, f"{option}: names with a comma between, and none is empty")
    return list(dict.fromkeys(parts))


def _lenses(text: str | None) -> list[float]:
    if text is None:
        return []
    parts = _listed(text, "--lens")
    if len(parts) > MOST_LENSES:
        raise Stop(BAD_INPUT, f"--lens: {len(parts)} of them; ask for {MOST_LENSES} at most")
    try:
        # lenses are called by their number alone
        said = [f"{part} mm" if part.replace(".", "", 1).isdigit() else part for part in parts]
        return list(dict.fromkeys(parse(part, FOCAL) for part in said))
    except ValueError as error:
        raise Stop(BAD_INPUT, f"--lens: {error}") from None


def _framings(text: str | None) -> list[str]:
    if text is None:
        return []
    parts = _listed(text, "--framing")
    for part in parts:
        if part not in FRAMINGS:
            raise Stop(BAD_INPUT, _unknown("--framing: there is no framing", part, FRAMINGS))
    return parts


def _variations(profile: SetProfile, text: str) -> list[Variation]:
    """The variations named, or the one that shortens a link named; no two change one link."""
    room = profile.room
    chosen: list[Variation] = []
    for part in _listed(text, "--without"):
        known = {variation.name: variation for variation in room.variations}
        if part in known:
            chosen.append(known[part])
        elif part in room.chain:
            shorten = [
                v for v in room.variations if v.links.get(part, room.chain[part]) < room.chain[part]
            ]
            if len(shorten) != 1:
                names = ", ".join(v.name for v in shorten)
                which = f"several variations shorten it: {names}" if shorten else "none shortens it"
                raise Stop(BAD_INPUT, f"--without: '{part}' is a link of the chain, and {which}")
            chosen.append(shorten[0])
        else:
            every = [*known, *room.chain]
            raise Stop(BAD_INPUT, _unknown("--without: there is no variation", part, every))
    chosen = list({variation.name: variation for variation in chosen}.values())
    for i, others in enumerate(excluding(chosen)):
        for j in others:
            one, other = chosen[i], chosen[j]
            both = ", ".join(n for n in one.links if n in other.links)
            raise Stop(
                BAD_INPUT,
                f"--without: '{one.name}' and '{other.name}' both change '{both}': choose one",
            )
    return chosen


def _backdrop(profile: SetProfile, name: str | None) -> None:
    if name is None:
        return
    known = [d.name for d in profile.devices.values() if d.kind == "backdrop"]
    if name not in known:
        raise Stop(BAD_INPUT, _unknown("--backdrop: there is no backdrop", name, known))


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    return f"{what} '{words.clean(name, 60)}'; {nearest(name, known)}"
