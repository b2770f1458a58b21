"""All mistakes of a file at once, and none that only follow from another.

A value that cannot be read is guessed: every guess is a profile of its own, and is looked through
whole. What is wrong whatever the guess is a mistake of its own; what is wrong under some guesses
only follows from what could not be read, and is not said. A name that nothing has is guessed in
the same way. So a wrong unit does not hide a wrong look, and a device that cannot be read is
unknown here: nothing that depends on it is called wrong.

Only a file with a mistake in it comes here; one without pays nothing.
"""

from __future__ import annotations

import copy
import itertools
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from pydantic import ValidationError

from studiobridge.profile.findings import Findings, Noted, near
from studiobridge.profile.fitting import Place, place_at, sample
from studiobridge.profile.misfits import Misfit, misfits
from studiobridge.profile.model import E131, FIXTURES, HOMIE5, KINDS
from studiobridge.profile.names import NAME
from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.text import Document, Path, Problem

# Guesses that are looked through: a kind of device is one of ten, and each may make a difference.
MOST_GUESSES = 12
# Each guess is a reading of the whole file. One of so many entries, or with so many values that do
# not fit, is read without any: what is wrong in it is said as it is met, so that it is said soon.
LARGE, MANY = 6_000, 40
# A key that was spelt wrong hides what is below it, so there is more to find once it is guessed.
MOST_ROUNDS = 8

Tree = dict[str, object]
Edit = Callable[[Tree], None]
Build = Callable[[ProfileShape, Findings], object]

_NAMES = {
    "fed_by": ("circuits", "devices"),
    "speaks": ("dialects",),
    "from": ("looks",),
    "look": ("looks",),
    "default_look": ("looks",),
    "camera": ("devices",),
    "aim": ("devices",),
}


@dataclass(slots=True)
class _Damage:
    """Something that cannot be as it stands, and what may have been meant instead."""

    path: Path
    guesses: list[Edit]
    # a whole dialect is put aside in a guess of its own: what else is wrong in it is still said
    aside: bool = False


@dataclass(slots=True)
class _Search:
    document: Document
    build: Build
    original: Tree
    misread: list[_Damage] = field(default_factory=list)
    named: list[_Damage] = field(default_factory=list)
    said: list[tuple[Path, Noted]] = field(default_factory=list)
    renamed: dict[Path, Path] = field(default_factory=dict)
    # a name guessed right is not wrong any more, and was all the same
    causes: set[Noted] = field(default_factory=set)


def all_mistakes(document: Document, tree: object, build: Build) -> list[Problem]:
    """Everything that is wrong in what a file says (`tree`), each mistake once."""
    assert isinstance(tree, dict)
    search = _Search(document, build, tree)
    problems = list(document.problems)
    if _too_much(search):
        _without_guessing(search)
    elif _read(search):
        base = _lasting(search)
        for noted in base:
            found = list(_unknown_name(search.original, noted))
            search.named.extend(found)
            if found:
                search.causes.add(noted)
        if search.named:
            base = _lasting(search)
        search.said.extend((noted.path, noted) for noted in base)
    for path, noted in search.said:
        path = _as_written(search, path)
        problems.append(document.problem(path, noted.what, noted.todo, noted.key))
    unique = {(p.line, p.column, p.what): p for p in problems}
    return list(unique.values())


def _too_much(search: _Search) -> bool:
    if search.document.root.size > LARGE:
        return True
    try:
        ProfileShape.model_validate(search.original)
    except ValidationError as error:
        return error.error_count() > MANY
    return False


def _without_guessing(search: _Search) -> None:
    """First what does not fit; what is wrong besides only where everything fits."""
    try:
        shape = ProfileShape.model_validate(search.original)
    except ValidationError as error:
        for misfit in misfits(search.original, error):
            search.said.append(_said(misfit))
        return
    findings = Findings(search.document)
    search.build(shape, findings)
    search.said.extend((noted.path, noted) for noted in findings.noted)


def _said(misfit: Misfit) -> tuple[Path, Noted]:
    key = misfit.kind in ("key", "unknown", "missing")
    where = misfit.path[:-1] if misfit.kind == "missing" else misfit.path
    return where, Noted(where, misfit.what, misfit.todo, key)


def _as_written(search: _Search, path: Path) -> Path:
    """A path of the guessed tree as the file has it."""
    for new, old in search.renamed.items():
        if path[: len(new)] == new:
            return (*old, *path[len(new) :])
    return path


# ---- what cannot be read ---------------------------------------------------------------------


def _read(search: _Search) -> bool:
    """Guess until the tree has the shape of a profile; every misfit on the way is said."""
    for _ in range(MOST_ROUNDS):
        before = len(search.misread)
        for tree in _trees(search, MOST_GUESSES):
            try:
                ProfileShape.model_validate(tree)
            except ValidationError as error:
                # a key that is spelt wrong is also one that is missing: the slip is what is said
                found = misfits(tree, error)
                for misfit in sorted(found, key=lambda m: m.kind != "unknown"):
                    _take(search, tree, misfit)
        if len(search.misread) == before:
            break
    try:
        ProfileShape.model_validate(next(iter(_trees(search, 1))))
    except ValidationError:
        return False
    return True


def _take(search: _Search, tree: Tree, misfit: Misfit) -> None:
    """Say a misfit that was not met before, and guess what was meant."""
    for damage in search.misread:
        if misfit.path[: len(damage.path)] == damage.path:
            return  # a guess that does not fit, or what was said already
    if misfit.kind == "missing" and misfit.path in search.renamed:
        return
    search.said.append(_said(misfit))
    guesses = list(_guesses(search, tree, misfit))
    meant = [new for new, old in search.renamed.items() if old == misfit.path]
    fitting = [guess for guess in guesses if _fits(tree, guess, [misfit.path, *meant])]
    if not fitting and len(misfit.path) > 1:
        # what holds it can be nothing without it
        above = misfit.path[:-1]
        fitting = [_drop(above)]
    search.misread.append(_Damage(misfit.path, fitting or [_nothing]))


def _fits(tree: Tree, guess: Edit, paths: list[Path]) -> bool:
    """Does a guess leave nothing to be said at these paths? Deeper down there may be more."""
    tried = copy.deepcopy(tree)
    guess(tried)
    try:
        ProfileShape.model_validate(tried)
    except ValidationError as error:
        return not any(m.path in paths for m in misfits(tried, error))
    return True


def _guesses(search: _Search, tree: Tree, misfit: Misfit) -> Iterator[Edit]:
    path, last = misfit.path, str(misfit.path[-1]) if misfit.path else ""
    if misfit.kind == "unknown":
        parent = _at(tree, path[:-1])
        above = place_at(path[:-1]) or Place(())
        for close in near(last, above.keys()):
            if isinstance(parent, dict) and close not in parent:
                search.renamed[(*path[:-1], close)] = path
                yield _rename(path, close)
        yield _drop(path)
        return
    if misfit.kind == "key":
        name = re.sub(r"[^a-z0-9]+", "-", last.casefold()).strip("-")[:40].strip("-")
        parent = _at(tree, path[:-1])
        if NAME.match(name) and isinstance(parent, dict) and name not in parent:
            search.renamed[(*path[:-1], name)] = path
            yield _rename(path, name)
        yield _drop(path)
        return
    place = place_at(path) or Place(())
    yield from (_put(path, value) for value in _values(tree, path, place))
    if not place.needed:
        yield _drop(path)


def _values(tree: Tree, path: Path, place: Place) -> Iterator[object]:
    """What may have been meant by a value at a path, the likeliest first."""
    written, last = _at(tree, path), path[-1] if path else ""
    if last in _NAMES:
        yield from _known(tree, str(last), str(written))
        return
    if last in ("topic", "at"):
        topic = "unread-" + "-".join(str(part) for part in path if isinstance(part, str))
        yield f"{topic}/x" if last == "at" else f"{{at}}/{topic}"
        return
    if path == ("set",):
        yield "unread"
        return
    if len(path) == 2 and path[0] == "devices":
        yield from _devices(tree)
        return
    if len(path) == 2 and path[0] == "dialects":
        yield ANY_DIALECT
        return
    if path == ("devices",):
        yield _any_devices(tree)
        return
    if path == ("dialects",):
        yield dict.fromkeys(_asked(tree, "speaks") - {HOMIE5, E131}, ANY_DIALECT)
    if path in (("mains",), ("mains", "circuits")):
        feeding = _asked(tree, "fed_by") - set(_mapping(tree, "devices")) - {"battery"}
        circuits = {name: {"breaker": "16 A"} for name in feeding}
        yield circuits if path[-1] == "circuits" else {"circuits": circuits}
    words = place.words()
    if isinstance(written, str) and words:
        first = near(written, [str(word) for word in words])
        words.sort(key=lambda word: str(word) not in first)
    yield from words or place.examples() or [sample(place)]


def _devices(tree: Tree) -> Iterator[object]:
    feeding = next(iter(_known(tree, "fed_by", "")), "battery")
    for kind in ("light", "plug", "camera", *KINDS):
        place = {"from_back": "1 m", "height": "1 m"}
        where = {"place": place} if kind in FIXTURES else {}
        yield {"kind": kind, "fed_by": feeding, **where}


def _any_devices(tree: Tree) -> Tree:
    """Devices of which only the names are known: those that the looks have."""
    looks = _mapping(tree, "looks")
    own = {"title", "from", "whites", "wants"}
    names = {n for look in looks.values() if isinstance(look, dict) for n in look} - own
    light = {"kind": "light", "fed_by": "battery"}
    return {name: dict(light) for name in sorted(names) if NAME.match(name)} or {"unread": light}


_YES = {"yes": "1", "no": "0"}
# Tells and hears whatever there is: nothing that speaks it lacks anything.
ANY_DIALECT: Tree = {
    **{
        point: {
            "tell": {"topic": f"{{at}}/{point}/in", "payload": "{value}"},
            "hear": {"topic": f"{{at}}/{point}/out"},
        }
        for point in ("level", "cct")
    },
    "switch": {
        "tell": {"topic": "{at}/switch/in", "words": {"on": "1", "off": "0"}},
        "hear": {"topic": "{at}/switch/out", "words": {"on": "1", "off": "0"}},
    },
    **{
        point: {"hear": {"topic": f"{{at}}/{point}/out", "words": _YES}}
        for point in ("rolling", "online", "down", "battery_low")
    },
    **{
        point: {"hear": {"topic": f"{{at}}/{point}/out"}}
        for point in ("watts", "lux", "temperature", "battery", "card")
    },
    "shut_down": {"tell": {"topic": "{at}/shut/in", "payload": "rest"}},
    "ask": {"topic": "{at}/ask"},
}


def _known(tree: Tree, key: str, name: str) -> list[str]:
    """Names that could stand behind a key, the nearest first."""
    known: list[str] = []
    for section in _NAMES[key]:
        inside = _mapping(tree, "mains") if section == "circuits" else tree
        known += [n for n in _mapping(inside, section) if NAME.match(str(n))]
    if key == "speaks":
        known.append(HOMIE5)
    if key == "fed_by":
        devices = _mapping(tree, "devices")
        known = [n for n in known if n not in devices or _kind(devices[n]) == "plug"]
        known.append("battery")
    if key == "aim":
        known.append("mark")
    first = near(name, known, most=3)
    return [*first, *(n for n in known if n not in first)][: MOST_GUESSES - 1]


def _kind(device: object) -> object:
    return device.get("kind") if isinstance(device, dict) else None


def _asked(tree: Tree, key: str) -> set[str]:
    found = (d.get(key) for d in _mapping(tree, "devices").values() if isinstance(d, dict))
    return {name for name in found if isinstance(name, str) and NAME.match(name)}


def _mapping(tree: object, key: str) -> Tree:
    found = tree.get(key) if isinstance(tree, dict) else None
    return found if isinstance(found, dict) else {}


# ---- what nothing has ------------------------------------------------------------------------


def _unknown_name(tree: Tree, noted: Noted) -> Iterator[_Damage]:
    """What may be meant by a name that nothing has: each would leave other things wrong."""
    path = noted.path
    last = path[-1] if path else ""
    if len(path) == 3 and last in ("fed_by", "speaks") and not noted.key:
        written = _at(tree, path)
        known = _known(tree, str(last), str(written))
        guesses: list[Edit] = [_nothing, *(_put(path, name) for name in known)]
        named = written if last == "speaks" and isinstance(written, str) else ""
        if NAME.match(named) and named not in _mapping(tree, "dialects"):
            guesses.insert(1, _put(("dialects", named), ANY_DIALECT))
        yield _Damage(path, guesses)
    elif len(path) == 2 and path[0] == "devices" and "fed_by" not in _entry(tree, path):
        where = (*path, "fed_by")
        known = _known(tree, "fed_by", "")
        yield _Damage(where, [_nothing, *(_put(where, name) for name in known)])
    elif (
        len(path) == 3
        and path[0] == "looks"
        and noted.key
        and last not in ("from", "whites", "wants")
    ):
        devices = _mapping(tree, "devices")
        if last not in devices:
            yield _Damage(path, [_nothing, *(_rename(path, n) for n in near(str(last), devices))])
    elif len(path) >= 2 and path[0] == "dialects":
        yield _Damage(path[:2], [_put(path[:2], ANY_DIALECT)], aside=True)


def _entry(tree: Tree, path: Path) -> Tree:
    found = _at(tree, path)
    return found if isinstance(found, dict) else {}


# ---- what is wrong whatever is guessed ---------------------------------------------------------


def _lasting(search: _Search) -> list[Noted]:
    """What is wrong under every guess, in the order of the first."""
    first: list[Noted] | None = None
    gone: set[Noted] = set()
    for tree, changed in itertools.chain(_named_trees(search, MOST_GUESSES), _set_aside(search)):
        try:
            shape = ProfileShape.model_validate(tree)
        except ValidationError:
            continue  # a guess that does not fit with the others
        findings = Findings(search.document)
        search.build(shape, findings)
        if first is None:
            first = findings.noted
            continue
        gone |= {
            noted
            for noted in first
            if noted not in findings.noted
            and noted not in search.causes
            and not any(noted.path[: len(path)] == path for path in changed)
        }
    unread = [damage.path for damage in search.misread]
    return [
        noted
        for noted in dict.fromkeys(first or [])
        if noted not in gone and not any(noted.path[: len(path)] == path for path in unread)
    ]


def _trees(search: _Search, most: int) -> Iterator[Tree]:
    """The file with what cannot be read guessed, one guess of each after the other."""
    rounds = max([len(d.guesses) for d in search.misread], default=1)
    for i in range(max(1, min(rounds, most))):
        tree = copy.deepcopy(search.original)
        _edit(tree, search.misread, i)
        yield tree


def _named_trees(search: _Search, most: int) -> Iterator[tuple[Tree, list[Path]]]:
    """The guessed trees, and in each the names that were guessed too."""
    named = [damage for damage in search.named if not damage.aside]
    rounds = max([len(d.guesses) for d in [*search.misread, *named]], default=1)
    for i in range(max(1, min(rounds, most))):
        tree = copy.deepcopy(search.original)
        _edit(tree, search.misread, i)
        _edit(tree, named, i)
        # in the first, names are as they stand: it is what the others are held against
        yield tree, [d.path for d in named if d.guesses[i % len(d.guesses)] is not _nothing]


def _set_aside(search: _Search) -> Iterator[tuple[Tree, list[Path]]]:
    """Dialects with something wrong in them put aside: what follows from it is gone then."""
    aside = [damage for damage in search.named if damage.aside]
    if aside:
        tree = copy.deepcopy(search.original)
        _edit(tree, search.misread, 0)
        _edit(tree, aside, 0)
        yield tree, [damage.path for damage in aside]


def _edit(tree: Tree, damages: Iterable[_Damage], i: int) -> None:
    for damage in damages:
        damage.guesses[i % len(damage.guesses)](tree)


# ---- changes to a tree -----------------------------------------------------------------------


def _at(tree: object, path: Path) -> object:
    for part in path:
        has = tree.keys() if isinstance(tree, dict) else range(len(_list(tree)))
        if part not in has:
            return None
        tree = tree[part] if isinstance(tree, dict) else _list(tree)[int(part)]
    return tree


def _list(tree: object) -> list[object]:
    return tree if isinstance(tree, list) else []


def _nothing(tree: Tree) -> None:
    """As it stands."""


def _put(path: Path, value: object) -> Edit:
    def edit(tree: Tree) -> None:
        made = copy.deepcopy(value)
        parent = _at(tree, path[:-1])
        last = path[-1] if path else ""
        if isinstance(parent, dict):
            parent[str(last)] = made
        elif isinstance(parent, list) and isinstance(last, int) and last < len(parent):
            parent[last] = made

    return edit


def _drop(path: Path) -> Edit:
    def edit(tree: Tree) -> None:
        parent, last = _at(tree, path[:-1]), path[-1]
        if isinstance(parent, dict):
            parent.pop(str(last), None)
        elif isinstance(parent, list) and isinstance(last, int) and last < len(parent):
            others = [entry for i, entry in enumerate(parent) if i != last]
            # another in its stead: the places of those behind it stay what they are
            parent[last:] = [copy.deepcopy(others[0]), *parent[last + 1 :]] if others else []

    return edit


def _rename(path: Path, name: str) -> Edit:
    def edit(tree: Tree) -> None:
        parent, last = _at(tree, path[:-1]), str(path[-1])
        if isinstance(parent, dict) and last in parent and name not in parent:
            # in its own place: the first of several is what others fall back on
            items = [(name if k == last else k, v) for k, v in parent.items()]
            parent.clear()
            parent.update(items)

    return edit
