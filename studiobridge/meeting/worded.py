"""Two words of a device as yes and no: which is which, how sure, and what was not heard."""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.meeting.met import Ground, Half
from studiobridge.meeting.sights import Sight
from studiobridge.meeting.vocabulary import NO, PAIRS, WEAK, WILLS, YES
from studiobridge.profile.model import Point, Scalar


def worded_half(
    point: Point, sight: Sight, rule: dict[str, object], missing: list[str]
) -> Half | None:
    """How its words are heard; None, and a sentence in `missing`, where they say too little."""
    learned = _learned(sight) if point == "switch" else {}
    yes, no, strange = _sorted_words(point, sight.words, learned)
    shown = ", ".join(f"'{word}'" for word in texts(sight.words)[:4])
    if strange and not (yes and no if point == "switch" else yes or no):
        missing.append(
            f"{sight.shown()} says {shown}, and which of them is on was not seen: switch it on and"
            " say so"
        )
        return None
    one = None
    if not yes or not no:
        one = (yes or no)[0]
        other = _counterpart(point, one, bool(yes))
        if other is None:
            return None
        (no if yes else yes).append(other)
    if any(type(w) is not bool for w in (*yes, *no)) and not _plain_pair(yes, no):
        rule["words"] = {
            "on" if point == "switch" else "yes": yes[0] if len(yes) == 1 else yes,
            "off" if point == "switch" else "no": no[0] if len(no) == 1 else no,
        }
    ground, why = _word_ground(point, sight, one, (yes[0], no[0]))
    contrary = [t for d, t in sight.answered("on", "off") if (d == "on") != (t.after in yes)]
    if point == "switch" and contrary:
        ground, why = "shape", f"it said '{contrary[0].after}' when it was switched the other way"
        missing.append(f"{sight.shown()} says on for off, or the press came late: try it again")
    if sight.beside_others:
        ground, why = "shape", f"{why}; a number beside it may say whose it is"
    if strange:
        why += f"; '{strange[0]}' was heard as well, and what that means is not known"
    return Half(point, "hear", rule, ground, why)


def _word_ground(
    point: Point, sight: Sight, one: Scalar | None, pair: tuple[Scalar, Scalar]
) -> tuple[Ground, str]:
    yes, no = (texts([word])[0] for word in pair)
    if one is not None:
        said = texts([one])[0]
        other = no if said == yes else yes
        usual = f"only '{said}' was heard so far; '{other}' is what usually goes with it"
        if point == "online":
            kept = "and the broker keeps it, as it keeps a last will" if sight.kept else ""
            return ("likely" if kept and str(one).lower() in WILLS else "shape"), (
                f"{usual}, {kept}" if kept else usual
            )
        return "shape", f"{usual}; switch it once to settle it" if point == "switch" else usual
    both = f"'{yes}' and '{no}' were both heard"
    presses = sight.answered()
    if point == "switch" and presses:
        times = "it was pressed" + (f", {len(presses)} times" if len(presses) > 1 else "")
        touch = presses[-1][1]
        if touch.before is not None:
            before = texts([touch.before])[0]
            return "seen", f"it went from '{before}' to '{texts([touch.after])[0]}' when {times}"
        return "seen", f"{both}, and it spoke when {times}"
    if point == "online":
        kept = ", and the broker keeps it, as it keeps a last will" if sight.kept else ""
        sure = str(pair[0]).lower() in WILLS or str(pair[1]).lower() in WILLS
        return ("likely" if sure or kept else "shape"), both + kept
    weak = {str(word).lower() for word in pair} <= WEAK
    named = sight.named(point) >= 2.0
    if weak and not named:
        return "shape", f"{both}, and nothing else says that it is a switch; press it to settle it"
    return "likely", f"{both}" + (", and its name says so" if named else "")


def _sorted_words(
    point: Point, words: list[Scalar], learned: Mapping[str, bool]
) -> tuple[list[Scalar], list[Scalar], list[Scalar]]:
    """Its words as yes, no, and those nobody knows."""
    yes: list[Scalar] = []
    no: list[Scalar] = []
    strange: list[Scalar] = []
    for word in words:
        small = str(word).lower()
        if small in learned:
            (yes if learned[small] else no).append(word)
        elif small in YES[point]:
            yes.append(word)
        elif small in NO[point]:
            no.append(word)
        else:
            strange.append(word)
    return _once(yes), _once(no), strange


def _once(words: list[Scalar]) -> list[Scalar]:
    """Each spelling once: a number and the text of it are the same word to a dialect."""
    return list({texts([word])[0]: word for word in reversed(words)}.values())[::-1]


def texts(words: list[Scalar]) -> list[str]:
    return [
        ("true" if word else "false") if isinstance(word, bool) else str(word) for word in words
    ]


def _learned(sight: Sight) -> dict[str, bool]:
    """Words of a switch as presses taught them: what it said when it was switched on, or off."""
    known: dict[str, bool] = {}
    for deed, touch in sight.answered("on", "off"):
        known[str(touch.after).lower()] = deed == "on"
        others = [w for w in sight.words if str(w).lower() != str(touch.after).lower()]
        if len(others) == 1:
            known.setdefault(str(others[0]).lower(), deed != "on")
    small = {str(word).lower() for word in sight.words}
    if small <= YES["switch"] | NO["switch"]:
        return {}  # it speaks plainly: what it says is held against the press, not learned from it
    return known if small <= set(known) and len(set(known.values())) == 2 else {}


def _counterpart(point: Point, word: Scalar, is_yes: bool) -> Scalar | None:
    """What usually goes with a word, spelt the same way."""
    if isinstance(word, bool):
        return not word
    small = str(word).lower()
    for yes, no in PAIRS[point]:
        if small == (yes if is_yes else no):
            other = no if is_yes else yes
            if not isinstance(word, str):
                return int(other)
            if word.isupper():
                return other.upper()
            return other.capitalize() if word[:1].isupper() else other
    return None


def _plain_pair(yes: list[Scalar], no: list[Scalar]) -> bool:
    """True and false need no words said."""
    return texts(yes) == ["true"] and texts(no) == ["false"]
