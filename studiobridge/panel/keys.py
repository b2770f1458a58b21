"""Who may see and ask: pairing codes, passwords, sessions. One file beside the record.

A pairing code is shown once by `studiobridge panel pair`, holds for ten minutes and opens one
session. Codes and passwords are kept as Argon2 hashes, sessions as hashes of their random
tokens: the file opens nothing for who reads it. A viewer sees; an operator may also ask.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from studiobridge.bridge.rights import give_to_who_owns, make_private_folder, open_to_others

Role = Literal["viewer", "operator"]

# Letters and digits that are not taken for one another when read aloud or off a screen.
ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
CODE_LENGTH = 8  # 31^8 is about 40 bits; tries are limited besides
CODE_LASTS = 600.0
SESSION_LASTS = 90 * 86400.0
MOST_CODES, MOST_SESSIONS = 20, 200
SHORTEST_PASSWORD = 10

_HASHER = PasswordHasher()


class KeysError(Exception):
    """The file of keys cannot be used; the text says why and what to do."""


@dataclass(slots=True)
class Code:
    hash: str
    role: Role
    until: float


@dataclass(slots=True)
class Password:
    hash: str
    role: Role


@dataclass(slots=True)
class Session:
    """Somebody's page: who they said they are, what they may do, their token against forgery."""

    token_hash: str
    name: str
    role: Role
    since: float
    forgery: str

    @property
    def may_ask(self) -> bool:
        return self.role == "operator"


@dataclass(slots=True)
class _File:
    codes: list[Code] = field(default_factory=list)
    passwords: list[Password] = field(default_factory=list)
    sessions: list[Session] = field(default_factory=list)


def keys_path(data: Path) -> Path:
    return data / "panel-keys.json"


def _hashed(token: str) -> str:
    # the token is 256 bits of chance: nothing to guess, so a plain hash does
    return hashlib.sha256(token.encode()).hexdigest()


class Keys:
    """The file of keys. Read anew whenever it has changed; written whole or not at all."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stamp: tuple[int, int] | None = None
        self._file = _File()

    # ---- for who runs the panel --------------------------------------------------------

    def new_code(self, role: Role) -> str:
        """A fresh pairing code; what was there before and has run out is dropped."""
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        with self._change() as file:
            now = time.time()
            file.codes = [c for c in file.codes if c.until > now][-MOST_CODES:]
            file.codes.append(Code(_HASHER.hash(code), role, now + CODE_LASTS))
        return f"{code[:4]}-{code[4:]}"

    def set_password(self, password: str, role: Role) -> None:
        """The password of a role. Raises KeysError when it is too short."""
        if len(password) < SHORTEST_PASSWORD:
            raise KeysError(f"a password here has {SHORTEST_PASSWORD} characters or more")
        with self._change() as file:
            file.passwords = [p for p in file.passwords if p.role != role]
            file.passwords.append(Password(_HASHER.hash(password), role))

    def forget(self, name: str | None) -> int:
        """End the sessions of this name (None: all). Returns how many."""
        with self._change() as file:
            before = len(file.sessions)
            file.sessions = [s for s in file.sessions if name is not None and s.name != name]
            return before - len(file.sessions)

    def sessions(self) -> list[Session]:
        return list(self._read().sessions)

    # ---- for who knocks ----------------------------------------------------------------

    def open(self, secret: str, name: str) -> tuple[str, Session] | None:
        """A session for a right code or password: its token and itself; None for a wrong one."""
        tidy = secret.strip().replace("-", "").replace(" ", "").upper()
        file = self._read()
        now = time.time()
        role: Role | None = None
        used: Code | None = None
        for code in file.codes:
            if code.until > now and _right(code.hash, tidy):
                role, used = code.role, code
        if role is None:
            for password in file.passwords:
                if _right(password.hash, secret):
                    role = password.role
        if role is None:
            return None
        token = secrets.token_urlsafe(32)
        session = Session(_hashed(token), name, role, now, secrets.token_urlsafe(24))
        with self._change() as fresh:
            if used is not None:
                left = [c for c in fresh.codes if c.hash != used.hash]
                if len(left) == len(fresh.codes):
                    return None  # somebody was quicker with the same code
                fresh.codes = left
            fresh.sessions = [s for s in fresh.sessions if s.since > now - SESSION_LASTS]
            fresh.sessions = [*fresh.sessions[-MOST_SESSIONS + 1 :], session]
        return token, session

    def session(self, token: str | None) -> Session | None:
        """The session of a cookie; None when there is none, or it has run out."""
        if not token or len(token) > 100:
            return None
        wanted = _hashed(token)
        now = time.time()
        for session in self._read().sessions:
            same = secrets.compare_digest(session.token_hash, wanted)
            if same and session.since > now - SESSION_LASTS:
                return session
        return None

    def close(self, session: Session) -> None:
        with self._change() as file:
            file.sessions = [s for s in file.sessions if s.token_hash != session.token_hash]

    def warnings(self) -> list[str]:
        """What is not right with the file's rights: who can write it can let anybody in."""
        found = open_to_others(self.path, "who may ask")
        return [found] if found is not None else []

    # ---- the file ----------------------------------------------------------------------

    def _read(self) -> _File:
        try:
            stat = self.path.stat()
        except FileNotFoundError:
            return _File()
        stamp = (stat.st_mtime_ns, stat.st_ino)
        if stamp != self._stamp:
            try:
                said = json.loads(self.path.read_text(encoding="utf-8"))
                self._file = _File(
                    [Code(**c) for c in said["codes"]],
                    [Password(**p) for p in said["passwords"]],
                    [Session(**s) for s in said["sessions"]],
                )
            except (OSError, ValueError, TypeError, KeyError) as error:
                raise KeysError(
                    f"{self.path} cannot be read ({error}); move it away and pair again"
                ) from None
            self._stamp = stamp
        return self._file

    @contextlib.contextmanager
    def _change(self) -> Iterator[_File]:
        """Change the file under a lock, so that `pair` and the server do not undo each other."""
        import fcntl

        try:
            make_private_folder(self.path.parent)
            mode = os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW
            lock = os.open(self.path.with_suffix(".lock"), mode, 0o600)
            give_to_who_owns(self.path.parent, lock)
        except OSError as error:
            raise KeysError(f"{self.path.parent} cannot be written: {error.strerror}") from None
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
            self._stamp = None
            file = self._read()
            yield file
            self._write(asdict(file))
        finally:
            os.close(lock)

    def _write(self, said: dict[str, Any]) -> None:
        try:
            handle, name = tempfile.mkstemp(dir=self.path.parent, prefix=".panel-keys-")
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                json.dump(said, out)
                out.flush()
                give_to_who_owns(self.path.parent, out.fileno())
                os.fsync(out.fileno())
            Path(name).replace(self.path)
        except OSError as error:
            raise KeysError(f"{self.path} cannot be written: {error.strerror}") from None
        self._stamp = None


def _right(hashed: str, secret: str) -> bool:
    try:
        return _HASHER.verify(hashed, secret)
    except (Argon2Error, InvalidHashError):
        return False
