"""What is wrong in a settings file: each with its line and column, what belongs there, an example.

Read only when something is wrong. Of a value that may hold a password nothing is repeated.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

from pydantic import BaseModel, ValidationError

from studiobridge.bridge import settings as shapes
from studiobridge.profile.findings import nearest
from studiobridge.profile.plain import as_written, quoted
from studiobridge.profile.text import Document, Path, Problem

# What belongs behind each key, and a line that is right; `*` is any name, or number of a list.
KEYS = "has keys with values of its own"
FILE = "is a file, named from the folder of this one"
BELONGS: dict[tuple[str, ...], tuple[str, str]] = {
    ("broker",): (KEYS, "broker: {host: pi.local, port: 1883}"),
    ("broker", "host"): ("is the name or address of one machine", "host: pi.local"),
    ("broker", "port"): ("is a whole number from 1 to 65535", "port: 1883"),
    ("broker", "user"): ("is a name of at most 200 characters", "user: operator"),
    ("broker", "password_file"): (FILE, "password_file: operator.password"),
    ("broker", "tls"): (KEYS, "tls: {ca: ca.crt}"),
    ("broker", "tls", "ca"): (FILE, "ca: ca.crt"),
    ("broker", "tls", "cert"): (FILE, "cert: client.crt"),
    ("broker", "tls", "key"): (FILE, "key: client.key"),
    ("broker", "tls", "verify"): ("is yes or no", "verify: yes"),
    ("broker", "client_id"): ("is a name of at most 64 characters", "client_id: corner-bridge"),
    ("broker", "protocol"): ("is auto, 5 or 3.1.1", "protocol: auto"),
    ("broker", "keep_alive"): ("is a whole number of seconds from 5 to 3600", "keep_alive: 5"),
    ("data",): ("is a folder", "data: ~/studiobridge"),
    ("profiles",): ("is a list of files, or folders", "profiles: [corner.yaml]"),
    ("profiles", "*"): ("is a file or a folder", "profiles: [corner.yaml]"),
    ("keep_days",): ("is a whole number of days from 1 to 36500", "keep_days: 400"),
    ("panel",): (KEYS, "panel: {port: 8450}"),
    ("panel", "listen"): ("is an address of this machine", "listen: 127.0.0.1"),
    ("panel", "port"): ("is a whole number from 0 to 65535", "port: 8450"),
    ("panel", "cert"): (FILE, "cert: page.crt"),
    ("panel", "key"): (FILE, "key: page.key"),
    ("panel", "ca"): (FILE, "ca: ca.crt"),
    ("panel", "hosts"): ("is a list of names", "hosts: [studio.lan]"),
    ("panel", "hosts", "*"): ("is a name", "hosts: [studio.lan]"),
    ("panel", "behind"): (
        "is https:// and a host, in small letters, and nothing behind it",
        "behind: https://studio.example",
    ),
    ("panel", "proxies"): ("is a list of addresses", "proxies: [192.0.2.10]"),
    ("panel", "proxies", "*"): ("is an address in figures", "proxies: [192.0.2.10]"),
    ("panel", "plain"): ("is yes or no", "plain: no"),
    ("record",): (
        "is the address of a PostgreSQL, without a password",
        "record: postgresql+psycopg://bridge@db/studio",
    ),
    ("metrics",): (KEYS, "metrics: {port: 9450}"),
    ("metrics", "listen"): ("is an address of this machine", "listen: 127.0.0.1"),
    ("metrics", "port"): ("is a whole number from 1 to 65535", "port: 9450"),
    ("frames",): (
        "has cameras by their hosts",
        "frames: {camera.lan: {user: me, password_file: camera.password}}",
    ),
    ("frames", "*"): (KEYS, "camera.lan: {user: me, password_file: camera.password}"),
    ("frames", "*", "user"): ("is a name of at most 200 characters", "user: me"),
    ("frames", "*", "password_file"): (FILE, "password_file: camera.password"),
    ("frames", "*", "ca"): (FILE, "ca: ca.crt"),
    ("log",): ("is text or json", "log: json"),
    ("set",): ("is the name of a set", "set: wheel-corner"),
}
# What may not be repeated: a password is in it, or may be.
NEVER_SHOWN = ("@", "://")
NEVER_SHOWN_BEHIND = ("frames", "record")
_PASSWORD = re.compile(r"passw|secret", re.I)
# Where a number belongs, what is none may have been meant for the line beside it.
_NUMBER = re.compile(r"\b(port|keep_alive|keep_days)\b")


def belongs(path: Path) -> tuple[str, str]:
    """What stands at a path, and an example; of the nearest path above where it is not known."""
    parts = [str(part) for part in path]
    while parts:
        for known, said in BELONGS.items():
            if len(known) == len(parts) and all(
                k in ("*", p) for k, p in zip(known, parts, strict=True)
            ):
                return said
        parts.pop()
    return KEYS, "broker: {host: pi.local}"


def like(path: Path) -> str:
    return f"write it like '{belongs(path)[1]}'"


def problems(
    document: Document | None, error: ValidationError, environment: Mapping[Path, str]
) -> str:
    """All that is wrong, a line each. What the environment says is named by its variable."""
    lines = []
    for item in error.errors(include_url=False):
        path: Path = tuple(item["loc"])
        named = next((name for at, name in environment.items() if path[: len(at)] == at), None)
        if document is None or named is not None:
            lines.append(f"{named or 'settings'}: {_what(item, path)}")
            continue
        if item["type"] == "extra_forbidden":
            lines.append(str(unknown(document, path)))
            continue
        node, _ = document.at(path)
        todo = "" if item["type"] == "value_error" else like(path)
        keys = _as_keys(node.scalar or "") if path == ("broker",) else None
        if keys is not None:
            todo = f"write it like '{keys}'; as a URL it is STUDIOBRIDGE_BROKER in the environment"
        lines.append(str(document.problem(path, _what(item, path), todo)))
    return "\n".join(lines)


def unknown(document: Document, path: Path) -> Problem:
    """A key that nobody reads."""
    model: type[BaseModel] = shapes.Settings
    for n, part in enumerate(path[:-1]):
        model = shapes.CameraSettings if path[:n] == ("frames",) else model
        model = shapes.MODELS.get(str(part), model)
    last = str(path[-1])
    todo = nearest(last, shapes.keys_of(model))
    return document.problem(path, f"unknown key '{last}'", todo, key=True)


def _what(item: Mapping[str, Any], path: Path) -> str:
    last = path[-1] if path else ""
    name = f"'{last}'"
    if any(sign in str(last) for sign in NEVER_SHOWN):
        name = "what this key names"
    if isinstance(last, int):
        name = f"number {last + 1} of '{path[-2]}'"
    if item["type"] == "value_error":
        return str(item["msg"]).removeprefix("Value error, ")
    if item["type"] == "missing":
        return f"{name} is missing"
    value = item["input"]
    if value is None:
        return f"nothing stands behind {name}"
    is_what = belongs(path)[0]
    shown = as_written(value)
    if not shown.strip():
        return f"{name} {is_what}, and nothing is in it"
    if isinstance(value, list | dict):
        return (
            f"{name} {is_what}, and here stands {'a list' if isinstance(value, list) else 'more'}"
        )
    spoken = [shown, *map(str, path)]
    held = any(_PASSWORD.search(text) for text in spoken)
    held = held or any(sign in shown for sign in NEVER_SHOWN)
    held = held or (_NUMBER.fullmatch(str(last)) is not None and not _is_number(value))
    if held or path[0] in NEVER_SHOWN_BEHIND:
        return f"{name} {is_what}"
    return f"{name} {is_what}, and {quoted(value)} is not"


def _is_number(value: object) -> bool:
    try:
        float(str(value))
    except ValueError:
        return False
    return True


def _as_keys(text: str) -> str | None:
    """A broker's URL or name as keys, without a password in it; None where it is neither."""
    if shapes.BARE.fullmatch(text):
        text = f"mqtt://{text}"
    try:
        parts = urlsplit(text)
        host, port = parts.hostname, parts.port
    except ValueError:
        return None
    if parts.scheme not in ("mqtt", "mqtts") or not host or not host.isprintable():
        return None
    said = [f"host: {host[:80]}"]
    said += [f"port: {port}"] if port is not None else []
    said += [f"user: {parts.username[:80]}"] if parts.username else []
    said += ["tls: {}"] if parts.scheme == "mqtts" else []
    return f"broker: {{{', '.join(said)}}}"


def as_settings(found: Problem, lines: Sequence[str] = ()) -> Problem:
    """What the reading of YAML says of a file, said of settings: it knows profiles alone.

    It repeats what it cannot read, and where a line speaks of a password that is one.
    """
    line = lines[found.line - 1] if 0 < found.line <= len(lines) else ""
    if _PASSWORD.search(line):
        todo = "write a password into a file and name that, like 'password_file: operator.password'"
        return replace(found, what="this line cannot be read", todo=todo, text="")
    if number := _NUMBER.search(line):
        todo = next(e for key, (_, e) in BELONGS.items() if key[-1] == number[1])
        todo = f"write it like '{todo}'"
        return replace(found, what="this line cannot be read", todo=todo, text="")
    if "set profile" in found.what:
        what = found.what.replace("a set profile has", "settings have")
        return replace(found, what=what, todo="start with 'broker: {host: pi.local}'")
    return found
