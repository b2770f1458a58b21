"""What `room --fit` prints: the answer in a sentence, then a row a lens, and what goes together."""

from __future__ import annotations

from collections.abc import Sequence

from studiobridge.cli import show
from studiobridge.cli.readings import bar, not_computed, percent
from studiobridge.craft.lens import NEAR_A_FACE, PARTS_OF_DIAGONAL
from studiobridge.figures.clearance import Spill
from studiobridge.figures.fitting import WHOLE, FitReading, Row
from studiobridge.figures.keying import SPILL
from studiobridge.figures.shadow import Shadow
from studiobridge.figures.sharp import Sharp
from studiobridge.figures.stations import SAME
from studiobridge.profile.model import SetProfile
from studiobridge.shown import words
from studiobridge.shown.lengths import Lengths

# As many rows as are read at once; all are in --json.
MOST_ROWS = 24


def print_fit(profile: SetProfile, found: FitReading) -> None:
    """The answer first; then what it rests on, the lenses, what goes together, what is missing."""
    lengths = Lengths(profile.feet)
    if found.answer is None:
        show.out("Not solved.")
        not_computed(found.missing)
        return
    shown = found.answer
    show.out(sentence(profile, found, shown, lengths))
    show.out()
    for line in _about(profile, found, shown, lengths):
        show.out(f"  {line}")
    if len(found.rows) > 1:
        show.out()
        _print_rows(profile, found, found.rows, lengths, one_lens=False)
    if found.combined:
        show.out()
        show.out(f"with {shown.focal:g} mm, {shown.framing}, the shortest first:")
        _print_rows(profile, found, found.combined, lengths, one_lens=True)
        if found.more:
            show.out(
                "There are more ways: these are the shortest, and the last row gives nothing up."
            )
    for line in _idle(profile, found, shown):
        show.out(line)
    not_computed(found.missing)


def sentence(profile: SetProfile, found: FitReading, row: Row, lengths: Lengths) -> str:
    """`2.49 m (8 ft 2 in) deep, 0.40 m left: half-length fits from 1.10 m with 16 mm, …`"""
    parts = []
    if row.depth is None:
        parts.append("how deep in all is not known")
    elif row.left is None:
        parts.append(f"{lengths.both(row.depth)} deep")
    elif row.left >= 0:
        parts.append(f"{lengths.both(row.depth)} deep, {lengths.one(row.left)} left")
    else:
        parts.append(
            f"TOO DEEP: {lengths.both(row.depth)}, {lengths.one(-row.left)} more than the room has"
        )
    fits = f"{row.framing} fits from {lengths.one(row.needed)} with {row.focal:g} mm"
    if row.distance - row.needed > SAME:
        fits += f", the lens is {lengths.one(row.distance)} away"
    gives = f"what gives way: {words.listed(list(row.without))}" if row.without else ""
    return "; ".join(filter(None, (parts[0], fits, _cover(found, row), gives)))


def _cover(found: FitReading, row: Row) -> str:
    if row.covered is None or found.backdrop is None:
        return ""
    name = words.clean(found.backdrop)
    if row.covered >= WHOLE:
        return f"{name} covers the picture"
    # never a whole that is not one
    return f"{name.upper()} COVERS {min(99, int(row.covered * 100))} % OF THE PICTURE"


def _about(profile: SetProfile, found: FitReading, row: Row, lengths: Lengths) -> list[str]:
    lines = []
    if row.throw is not None and found.throw_now is not None and found.throw_link is not None:
        now = "as in the chain"
        if row.throw != found.throw_now:
            now = f"{lengths.one(found.throw_now)} in the chain"
        name = words.clean(found.throw_link)
        lines.append(f"{name} is {lengths.both(row.throw)} then ({now}): the lens sets it")
    wide, high = row.field
    lines.append(
        f"the picture is {lengths.one(wide)} × {lengths.one(high)} at the mark,"
        f" {lengths.both(row.distance)} from the lens"
    )
    if "loose" in row.hinders:
        lines.append(
            f"TOO LOOSE for {row.framing}: so much stands between that no lens comes nearer"
        )
    if row.near_a_face:
        lines.append(
            f"NEAR A FACE: nearer than {lengths.one(NEAR_A_FACE)} noses grow, whatever the lens"
            " (common practice)"
        )
    if row.sharp is not None:
        lines += _sharp(found, row.sharp, lengths)
    lines += [_shadow(shadow, lengths) for shadow in found.shadows if not shadow.hidden]
    hidden = [words.clean(shadow.light) for shadow in found.shadows if shadow.hidden]
    if hidden:
        lines.append(
            f"shadow by {words.listed(hidden)}: out of the picture, or behind the presenter"
        )
    if found.spill is not None and found.backdrop is not None:
        lines.append(_spill(found.spill, words.clean(found.backdrop), lengths))
    return lines


def _spill(spill: Spill, name: str, lengths: Lengths) -> str:
    size, than = abs(spill.stops), "the key" if spill.keyed else "the light on the face"
    many = "stops" if size >= 1.05 else "stop"
    side = "over" if spill.stops > 0 else "under"
    text = f"{name} throws light on the back: {size:.1f} {many} {side} {than}"
    if spill.keyed and spill.stops > SPILL:
        text += f"; {-SPILL:g} stops under is clean (common practice)"
        if spill.clear_from is not None:
            where = f"{lengths.one(spill.clear_from)} from {name}"
            text += f": with the mark {where}, camera and lights moved with it"
    return text


def _sharp(found: FitReading, sharp: Sharp, lengths: Lengths) -> list[str]:
    stop = f"f/{sharp.aperture:g}"
    if sharp.t_stop is not None:
        stop += f" (T{sharp.t_stop:.1f})"
    far = "the horizon" if sharp.far is None else lengths.one(sharp.far)
    head = "from nose to ears" if sharp.head else "NOT ALL OF A HEAD"
    text = (
        f"focus on the face: sharp at {stop} from {lengths.one(sharp.near)} to {far}, {head}"
        f" (hyperfocal {lengths.one(sharp.hyperfocal)};"
        f" circle {sharp.circle:.3f} mm, the diagonal / {PARTS_OF_DIAGONAL:g})"
    )
    lines = [text]
    if sharp.blur is not None and found.backdrop is not None:
        name = words.clean(found.backdrop)
        if sharp.blur <= 1.0:
            lines.append(f"{name} is sharp as well")
        elif sharp.both is not None:
            focus, opening = sharp.both
            lines.append(
                f"{name} is soft, {sharp.blur:.1f} circles wide; both are sharp focused at"
                f" {lengths.one(focus)} from f/{opening:.1f} on"
            )
    return lines


def _shadow(shadow: Shadow, lengths: Lengths) -> str:
    left, bottom, right, top = shadow.head
    across, up = (left + right) / 2, (bottom + top) / 2
    where = f"{lengths.one(abs(across))} {'left' if across < 0 else 'right'}"
    where += f" and {lengths.one(abs(up))} {'below' if up < 0 else 'above'} the middle of"
    name, wall = words.clean(shadow.light), words.clean(shadow.backdrop)
    text = f"shadow by {name}: the head falls {where} {wall}"
    if shadow.in_picture is not None:
        seen = f"{percent(shadow.in_picture)} of it IN THE PICTURE"
        text += f", {seen}"
    if shadow.soft is not None:
        core = "" if shadow.core else ", nowhere quite dark"
        text += f"; its edge {lengths.one(max(shadow.soft))} soft{core}"
    if shadow.seen:
        text += "; none is seen with the mark "
        if shadow.clear_from is None:
            text += f"at any distance from {wall}"
        else:
            text += f"{lengths.one(shadow.clear_from)} from {wall}, light and camera moved with it"
    return text


def _print_rows(
    profile: SetProfile,
    found: FitReading,
    rows: Sequence[Row],
    lengths: Lengths,
    one_lens: bool,
) -> None:
    room = profile.room.depth
    deepest = [float(row.depth) for row in rows if row.depth is not None]
    whole = float(room) if room is not None else max(deepest, default=0.0)
    columns = max(8, min(24, show.width() - 72))
    several = len({row.framing for row in rows}) > 1
    cells: list[Sequence[str] | str] = []
    heading = ""
    for row in rows[:MOST_ROWS]:
        if several and row.framing != heading:
            heading = row.framing
            cells.append(heading)
        left = ""
        if row.left is not None:
            left = lengths.one(row.left) if row.left >= 0 else "TOO DEEP"
        cells.append(
            (
                "" if one_lens else f"{row.focal:g} mm" + ("!" if row.near_a_face else ""),
                ", ".join(row.without) or ("nothing" if found.throw_link is not None else ""),
                lengths.one(row.distance),
                lengths.one(row.depth) if row.depth is not None else "",
                left,
                _share(row.covered),
                bar(float(row.depth) / whole, columns) if row.depth is not None and whole else "",
            )
        )
    against = "of the room" if room is not None else "deep, drawn"
    cover = words.clean(found.backdrop or "")
    heads = ("lens", "gives way", "away", "deep", "left", cover, against)
    show.print_table(heads, cells, spare=("away",))
    notes = []
    if not one_lens and any(row.near_a_face for row in rows):
        notes.append("! nearer to a face than is kind to it")
    if any(row.covered is not None for row in rows):
        notes.append(f"{cover}: how much of the picture it covers")
    if notes:
        show.out("; ".join(notes))
    if len(rows) > MOST_ROWS:
        show.out(
            f"and {len(rows) - MOST_ROWS} more rows: no more are read at once; --json has all,"
            " --lens and --framing ask for less"
        )


def _share(covered: float | None) -> str:
    if covered is None:
        return ""
    return "all" if covered >= WHOLE else f"{min(99, int(covered * 100))} %"


def _idle(profile: SetProfile, found: FitReading, row: Row) -> list[str]:
    """Why some variations save nothing with this lens, a line a reason."""
    room = profile.room
    reasons: dict[str, list[str]] = {}
    for variation in room.variations:
        if variation.name not in found.idle:
            continue
        why = f"{row.focal:g} mm asks for that distance anyway"
        if set(variation.links) == {found.throw_link}:
            why = f"the lens sets {found.throw_link}"
        elif sum(variation.links.values()) >= sum(room.chain[link] for link in variation.links):
            why = "no shorter than the chain"
        reasons.setdefault(why, []).append(variation.name)
    return [
        f"{words.listed(names)} {'save' if len(names) > 1 else 'saves'} nothing here: {why}"
        for why, names in reasons.items()
    ]
