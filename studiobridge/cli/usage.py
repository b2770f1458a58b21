"""What is wrong with how a command was typed: what belongs there, and a line that is right.

The parser says what it misses in its own words and no more. Here each command has one line that
could be typed as it stands; `tests/cli/test_usage.py` holds every one of them to the parser.
"""

from __future__ import annotations

import re
import sys
from typing import Any

from studiobridge.shown import words

# Of every command and subcommand that needs to be told something.
LIKE = {
    "check": "check corner.yaml",
    "plan": "plan corner.yaml up",
    "light": "light corner.yaml",
    "balance": "balance corner.yaml --ratio 2:1",
    "shutter": "shutter corner.yaml",
    "mains": "mains corner.yaml",
    "room": "room corner.yaml --fit",
    "setup": "setup corner.yaml",
    "sheet": "sheet corner.yaml -o sheet.html",
    "explain": "explain boots_in",
    "draft": "draft corner",
    "listen": "listen --for 60s",
    "meet": "meet",
    "try": "try key 40 %",
    "measure": "measure key",
    "run": "run corner.yaml",
    "up": "up --look lesson",
    "down": "down",
    "restore": "restore key",
    "keep": "keep key",
    "cut": "cut --yes",
    "lockout": "lockout key --by Ana --why 'a new lamp'",
    "release": "release key",
    "rolling": "rolling on camera",
    "by-hand": "by-hand rim",
    "quiet": "quiet fridge --for 20min",
    "adjust": "adjust key +0.1 stop",
    "ask": "ask up --look lesson",
    "look save": "look save evening",
    "look show": "look show lesson",
    "look preview": "look preview lesson -o lesson.png",
    "takes": "takes 12 --differs",
    "record": "record --session 3",
    "before": "before tick 'lens wiped'",
    "after": "after tick 'card emptied'",
    "rehearse": "rehearse corner.yaml",
    "touch": "touch key 80 %",
}
# What a figure is of which the parser only says that it is none.
_NO_FIGURE = re.compile(r"Input should be (?:a valid (integer|number)|(?:greater|less) than)")


def said(error: Any) -> str:
    """The sentence for an error of the parser; its own words where there is nothing to add."""
    own = str(error.format_message())
    if type(error).__name__ == "NoArgsIsHelpError":
        return own  # its help
    context = getattr(error, "ctx", None)
    command = _command(context)
    text = _sentence(error, own)
    like = LIKE.get(command)
    if context is not None and context.parent is None:
        todo = "" if "Did you mean" in own else "; `studiobridge --help` has them all"
    elif like is not None:
        todo = f"; like `studiobridge {like}`"
    else:
        todo = f"; `{' '.join(['studiobridge', command]).strip()} --help` says what may stand there"
    return f"{' '.join(['studiobridge', command]).strip()}: {text.rstrip('.')}{todo}"


def _command(context: Any) -> str:
    """`look save`: the command without the program."""
    if context is None:
        # of a value that is missing the parser does not say where
        typed = sys.argv[1:3]
        return next((at for at in (" ".join(typed), *typed[:1]) if at in LIKE), "")
    parts: list[str] = []
    while context.parent is not None:
        parts.insert(0, str(context.info_name))
        context = context.parent
    return " ".join(parts)


def _sentence(error: Any, own: str) -> str:
    kind = type(error).__name__
    param = getattr(error, "param", None)
    if kind == "MissingParameter" and param is not None:
        about = str(getattr(param, "help", "") or "").rstrip(".")
        name = _name(param)
        return f"{name} is missing" + (f": {about[:1].lower()}{about[1:]}" if about else "")
    if kind == "BadParameter" and param is not None:
        if found := _NO_FIGURE.search(own):
            what = "a number" if found[1] == "number" else "a whole number"
            return f"{_name(param)} is {what}{_reach(param)}"
        return f"{_name(param)}: {words.clean(str(error.message), 200)}"
    if found := re.match(r"Got unexpected extra arguments?(?:\(s\))? \((.*)\)", own):
        return f"nothing more may stand here than this: '{words.clean(found[1], 60)}' is too much"
    if found := re.match(r"Option '(.*)' requires an argument", own):
        return f"behind {found[1]} its value is missing"
    if found := re.match(r"No such option: (\S+)", own):
        near = ", ".join(getattr(error, "possibilities", None) or ())
        return f"there is no {words.clean(found[1], 60)} here" + (
            f", there is {near}" if near else ""
        )
    return own


def _name(param: Any) -> str:
    """`TARGET`, as its help has it, or `--by`."""
    options = [str(one) for one in getattr(param, "opts", ()) if str(one).startswith("-")]
    return max(options, key=len) if options else str(param.name).upper()


def _reach(param: Any) -> str:
    low, high = (getattr(param, end, None) for end in ("min", "max"))
    if low is None:
        return ""
    return f" from {low}" + (f" to {high}" if high is not None else "")
