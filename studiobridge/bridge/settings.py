"""Where the broker is, who we are there, where data lives: a file, the environment, a secret.

Order: built-in values, then the settings file, then the environment. A password comes from a
file or a service credential, never from the command line or a URL, and is never shown.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import unquote, urlsplit

import platformdirs
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    IPvAnyAddress,
    PrivateAttr,
    SecretStr,
    ValidationError,
    field_validator,
)

from studiobridge.bridge.rights import open_to_others
from studiobridge.profile.plain import plain

if TYPE_CHECKING:
    from studiobridge.profile.text import Document

CREDENTIAL = "broker-password"
# … and `frames-HOST` is the password of a camera
CAMERA_CREDENTIAL = "frames"
APP = "studiobridge"
NOT_A_URL = "STUDIOBRIDGE_BROKER is not a URL like mqtts://user@host:8883"
ANOTHER = "name one that this user may read, from the folder of this file"
# A machine that is named without the rest of a URL.
BARE = re.compile(r"[a-z0-9][a-z0-9.-]{0,250}(:[0-9]{1,5})?", re.I)


# Where something stands in a settings file.
At = tuple[str | int, ...]


class SettingsError(Exception):
    """Settings that cannot be used; the text says where and what to do."""


class TlsSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None
    verify: bool = True


class BrokerSettings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    host: str = Field(default="localhost", min_length=1, max_length=253)
    port: int | None = Field(default=None, ge=1, le=65535)
    user: str | None = Field(default=None, max_length=200)
    password_file: Path | None = None
    tls: TlsSettings | None = None
    client_id: str | None = Field(default=None, max_length=64)
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    # A box on the way that ends TCP can hold what left this machine, where no reset reaches it. The
    # broker gives the connection up after one and a half times this (s), and with it what is held.
    keep_alive: int = Field(default=5, ge=5, le=3600)
    password: SecretStr | None = Field(default=None, exclude=True)

    @field_validator("host")
    @classmethod
    def _one_machine(cls, host: str) -> str:
        if "/" in host or "@" in host or any(c.isspace() for c in host):
            raise ValueError(
                "'host' is the name or address of one machine and nothing else; write it like"
                " 'host: pi.local', with 'port:' and 'user:' beside it"
            )
        if host.count(":") == 1:
            name, _, port = host.partition(":")
            raise ValueError(
                f"'host' has a port in it; write 'host: {plain(name)[:80]}' and"
                f" 'port: {plain(port)[:8]}'"
            )
        return host

    @property
    def address(self) -> tuple[str, int]:
        """Host and port, with the usual port where none is named."""
        return self.host, self.port or (8883 if self.tls is not None else 1883)

    @property
    def shown(self) -> str:
        """Where this is, for a person: no secrets in it."""
        host, port = self.address
        user = f"{self.user}@" if self.user else ""
        return f"{'mqtts' if self.tls is not None else 'mqtt'}://{user}{host}:{port}"


class PanelSettings(BaseModel):
    """Where the page is served, and to whom. Loopback unless told otherwise."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    listen: str = Field(default="127.0.0.1", min_length=1, max_length=253)
    port: int = Field(default=8450, ge=0, le=65535)
    cert: Path | None = None
    key: Path | None = None
    # the authority that signed that certificate: pages that pair get its fingerprint, and may
    # fetch it
    ca: Path | None = None
    # names by which it is reached besides its address: 'studio.lan'
    hosts: tuple[str, ...] = ()
    # it stands behind a proxy that does TLS: https://studio.example
    behind: str | None = Field(default=None, pattern=r"^https://[a-z0-9.-]+(:[0-9]+)?$")
    # the addresses that proxy comes from: only its word on who knocks is taken
    proxies: tuple[IPvAnyAddress, ...] = (ip_address("127.0.0.1"), ip_address("::1"))
    # serve other machines without TLS: only where you trust everybody on that network
    plain: bool = False


class MetricsSettings(BaseModel):
    """Figures for Prometheus over HTTP, without a password: loopback unless told otherwise."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    listen: str = Field(default="127.0.0.1", min_length=1, max_length=253)
    port: int = Field(ge=1, le=65535)


class CameraSettings(BaseModel):
    """Who we are at a network camera; `ca`: the certificate of who signed the camera's own."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    user: str | None = Field(default=None, max_length=200)
    password_file: Path | None = None
    ca: Path | None = None


class Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    broker: BrokerSettings = Field(default_factory=BrokerSettings)
    data: Path = Field(default_factory=lambda: platformdirs.user_data_path(APP))
    # files, or folders in which profiles may appear while the bridge runs
    profiles: tuple[Path, ...] = ()
    keep_days: int = Field(default=400, ge=1, le=36500)
    panel: PanelSettings = Field(default_factory=PanelSettings)
    # the record on a server instead of a file: postgresql+psycopg://user@host/database; its
    # password in ~/.pgpass or PGPASSFILE, never here
    record: str | None = Field(default=None, pattern=r"^postgresql\+psycopg://[^:@/]*@?[^@]*$")
    metrics: MetricsSettings | None = None
    # by the host that a profile's `witness: frames:` names
    frames: dict[str, CameraSettings] = Field(default_factory=dict)
    log: Literal["text", "json"] = "text"
    set_name: str | None = Field(default=None, alias="set")
    warnings: tuple[str, ...] = Field(default=(), exclude=True)
    _where: _Where | None = PrivateAttr(default=None)

    @field_validator("record")
    @classmethod
    def _without_password(cls, record: str | None) -> str | None:
        """A password can hide where a port belongs and behind the question mark."""
        try:
            parts = urlsplit(record or "")
            held = parts.port == 0 or "passw" in unquote(parts.query).lower()
        except ValueError:
            held = True
        if held:
            raise ValueError(
                "'record' is the address of a PostgreSQL, without a password; write it like"
                " 'record: postgresql+psycopg://bridge@db/studio'"
            )
        return record

    def wrong(self, path: At, what: str, todo: str = "") -> SettingsError:
        """What is wrong, with the place where it is said."""
        return (self._where or _Where(None, {})).wrong(path, what, todo)

    def camera(self, host: str) -> tuple[str | None, str | None, Path | None]:
        """User, password and authority at a camera of this host. Raises SettingsError.

        Read when it is needed: who asks the bridge for something need not be able to read it.
        """
        found = self.frames.get(host, CameraSettings())
        path = found.password_file
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if path is None and folder and (Path(folder) / f"{CAMERA_CREDENTIAL}-{host}").exists():
            path = Path(folder) / f"{CAMERA_CREDENTIAL}-{host}"
        if found.ca is not None and not _is_file(found.ca):
            raise self.wrong(("frames", host, "ca"), f"there is no file {found.ca}", ANOTHER)
        at = ("frames", host, "password_file")
        password = None if path is None else self._secret_in(path, at)
        if password is not None and found.user is None:
            raise self.wrong(("frames", host), "a password needs its user")
        return found.user, password, found.ca

    def _secret_in(self, path: Path, at: At) -> str:
        """What stands in a password file. Raises SettingsError, which does not name it: what is
        written where a file is named may be the password itself."""
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        ours = bool(folder) and path.is_relative_to(str(folder))
        shown = f"the password file {path}" if ours else "the password file that is named here"
        try:
            text = path.read_text(encoding="utf-8").rstrip("\r\n")
        except OSError as error:
            why = error.strerror or error
            raise self.wrong(at, f"{shown} cannot be read: {why}", ANOTHER) from None
        except UnicodeDecodeError:
            raise self.wrong(at, f"{shown} is no text in UTF-8", ANOTHER) from None
        if not text:
            raise self.wrong(at, f"{shown} is empty", "write it there")
        return text


MODELS: dict[str, type[BaseModel]] = {
    "broker": BrokerSettings,
    "tls": TlsSettings,
    "panel": PanelSettings,
    "metrics": MetricsSettings,
}
# What the environment says, and the key that it stands for.
FROM_ENVIRONMENT: dict[str, At] = {
    "STUDIOBRIDGE_USER": ("broker", "user"),
    "STUDIOBRIDGE_PASSWORD_FILE": ("broker", "password_file"),
    "STUDIOBRIDGE_CA": ("broker", "tls", "ca"),
    "STUDIOBRIDGE_BROKER": ("broker",),
    "STUDIOBRIDGE_DATA": ("data",),
    "STUDIOBRIDGE_SET": ("set",),
}


def keys_of(model: type[BaseModel]) -> list[str]:
    """The keys that may stand in a file."""
    return [f.alias or n for n, f in model.model_fields.items() if not f.exclude]


def load_settings(file: Path | None = None, env: Mapping[str, str] | None = None) -> Settings:
    """The settings in force. Raises SettingsError."""
    env = os.environ if env is None else env
    named = env.get("STUDIOBRIDGE_SETTINGS")
    path = file or (Path(named) if named else platformdirs.user_config_path(APP) / "settings.yaml")
    document = _document(path) if path.exists() or file is not None or named else None
    values: dict[str, object] = {}
    if document is not None:
        said = document.root.value()
        assert isinstance(said, dict)
        values = said
        _nothing_out_of_place(document, values)
        _resolve(document, values, path.parent)
    broker = values.get("broker")
    if isinstance(broker, dict) or "broker" not in values:
        values["broker"] = _by_environment(dict(broker) if isinstance(broker, dict) else {}, env)
    if env.get("STUDIOBRIDGE_DATA"):
        values["data"] = env["STUDIOBRIDGE_DATA"]
    if env.get("STUDIOBRIDGE_SET"):
        values["set"] = env["STUDIOBRIDGE_SET"]
    try:
        settings = Settings.model_validate(values)
    except ValidationError as error:
        from studiobridge.bridge.settings_words import problems

        said_there = {at: name for name, at in FROM_ENVIRONMENT.items() if env.get(name)}
        if not isinstance(values["broker"], dict):
            said_there = {at: name for at, name in said_there.items() if at[0] != "broker"}
        raise SettingsError(problems(document, error, said_there)) from None
    settings._where = _Where(document, env)
    return _with_secret(settings, env)


def _document(path: Path) -> Document | None:
    """The file taken apart; None where nothing stands in it. Raises SettingsError."""
    # reading YAML is a tenth of the time of a command, and needed where there is a file
    from studiobridge.profile.text import ProfileError, bytes_of, read_document

    try:
        data = bytes_of(path)
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror or error}") from None
    except ProfileError as error:
        raise SettingsError(str(error)) from None
    if all(not line.strip() or line.lstrip().startswith(b"#") for line in data.splitlines()):
        return None  # a copy of the example in which nothing is said yet
    try:
        document = read_document(data, str(path))
        if document.problems:
            raise ProfileError(document.problems)
    except ProfileError as error:
        from studiobridge.bridge.settings_words import as_settings
        from studiobridge.profile.text import lines_of

        lines = lines_of(data.decode("utf-8", "replace"))
        raise SettingsError("\n".join(str(as_settings(p, lines)) for p in error.problems)) from None
    return document


def _nothing_out_of_place(document: Document, values: Mapping[str, object]) -> None:
    """No password, and nothing that only the program itself says. Raises SettingsError."""
    cameras = values.get("frames")
    held: list[tuple[At, object]] = [(("broker",), values.get("broker"))]
    if isinstance(cameras, dict):
        held += [(("frames", str(host)), camera) for host, camera in cameras.items()]
    for at, holder in held:
        if isinstance(holder, dict) and "password" in holder:
            problem = document.problem((*at, "password"), "a password does not belong here")
            raise SettingsError(f"{problem}; write it into a file and name that as 'password_file'")
    if "warnings" in values:
        from studiobridge.bridge.settings_words import unknown

        raise SettingsError(str(unknown(document, ("warnings",))))


def _by_environment(broker: dict[str, object], env: Mapping[str, str]) -> dict[str, object]:
    """What the environment says of the broker comes after the file, and wins."""
    if env.get("STUDIOBRIDGE_BROKER"):
        broker.update(_from_url(env["STUDIOBRIDGE_BROKER"], broker))
    if env.get("STUDIOBRIDGE_USER"):
        broker["user"] = env["STUDIOBRIDGE_USER"]
    if env.get("STUDIOBRIDGE_PASSWORD_FILE"):
        broker["password_file"] = env["STUDIOBRIDGE_PASSWORD_FILE"]
    if env.get("STUDIOBRIDGE_CA"):
        tls = broker.get("tls")
        tls = dict(tls) if isinstance(tls, dict) else {}
        broker["tls"] = {**tls, "ca": env["STUDIOBRIDGE_CA"]}
    return broker


@dataclass(frozen=True, slots=True)
class _Where:
    """Where something was said: the place in the file, or the variable of the environment."""

    # the same settings are the same wherever they were said
    document: Document | None = field(compare=False)
    env: Mapping[str, str] = field(compare=False)

    def wrong(self, path: At, what: str, todo: str = "") -> SettingsError:
        for name, at in FROM_ENVIRONMENT.items():
            if at == path and self.env.get(name):
                return SettingsError(f"{name}: {what}")
        if self.document is None:
            return SettingsError(f"{': '.join(str(part) for part in path)}: {what}")
        from studiobridge.bridge.settings_words import like

        return SettingsError(str(self.document.problem(path, what, todo or like(path))))


def _resolve(document: Document, values: dict[str, object], folder: Path) -> None:
    """Paths in a settings file are relative to the file. Raises SettingsError."""

    def path(text: str, at: At) -> str:
        try:
            found = Path(text).expanduser()
        except RuntimeError:
            what = "it begins with the home of somebody who is not known here"
            raise SettingsError(str(document.problem(at, what, ANOTHER))) from None
        if "\0" in text:
            raise SettingsError(str(document.problem(at, "no file has such a name", ANOTHER)))
        return str(folder / found)

    def fix(holder: object, *at: str) -> None:
        if isinstance(holder, dict) and isinstance(holder.get(at[-1]), str):
            holder[at[-1]] = path(holder[at[-1]], at)

    fix(values, "data")
    broker = values.get("broker")
    fix(broker, "broker", "password_file")
    tls = broker.get("tls") if isinstance(broker, dict) else None
    for key in ("ca", "cert", "key"):
        fix(tls, "broker", "tls", key)
    for key in ("cert", "key", "ca"):
        fix(values.get("panel"), "panel", key)
    cameras = values.get("frames")
    for host, camera in cameras.items() if isinstance(cameras, dict) else ():
        for key in ("password_file", "ca"):
            fix(camera, "frames", str(host), key)
    profiles = values.get("profiles")
    if isinstance(profiles, list):
        values["profiles"] = [
            path(p, ("profiles", n)) if isinstance(p, str) else p for n, p in enumerate(profiles)
        ]


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False


def _from_url(url: str, before: Mapping[str, object]) -> dict[str, object]:
    """A broker URL: mqtt://user@host:port or mqtts://… Raises SettingsError."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise SettingsError(NOT_A_URL) from None
    if parts.password is not None:
        raise SettingsError(
            "STUDIOBRIDGE_BROKER has a password in it; leave it out and name a file with"
            " STUDIOBRIDGE_PASSWORD_FILE"
        )
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or parts.path not in ("", "/"):
        meant = f"; write mqtt://{url}" if BARE.fullmatch(url) else ""
        raise SettingsError(f"{NOT_A_URL}{meant}")
    found: dict[str, object] = {"host": parts.hostname, "port": port}
    if parts.username:
        found["user"] = unquote(parts.username)
    if parts.scheme == "mqtts":
        found["tls"] = before.get("tls") or {}
    else:
        found["tls"] = None
    return found


def _warn(warnings: list[str], path: Path, holds: str) -> None:
    found = open_to_others(path, holds)
    if found is not None:
        warnings.append(found)


def _with_secret(settings: Settings, env: Mapping[str, str]) -> Settings:
    broker = settings.broker
    warnings: list[str] = []
    path = broker.password_file
    folder = env.get("CREDENTIALS_DIRECTORY")
    if path is None and folder and (Path(folder) / CREDENTIAL).exists():
        path = Path(folder) / CREDENTIAL
    password = None
    if path is not None:
        text = settings._secret_in(path, ("broker", "password_file"))
        # a credential of the service is in a folder that nobody else gets into
        if not folder or not path.is_relative_to(folder):
            _warn(warnings, path, "a password")
        password = SecretStr(text)
    for camera in settings.frames.values():
        if camera.password_file is not None:
            _warn(warnings, camera.password_file, "a password")
    if broker.tls is not None and not broker.tls.verify:
        warnings.append(
            "the broker's certificate is not verified (tls: verify: false): anybody on this network"
            " can pretend to be it"
        )
    if broker.tls is not None:
        for name in ("ca", "cert", "key"):
            file = getattr(broker.tls, name)
            if file is not None and not _is_file(file):
                raise settings.wrong(("broker", "tls", name), f"there is no file {file}", ANOTHER)
    for key in (broker.tls.key if broker.tls is not None else None, settings.panel.key):
        if key is not None:
            _warn(warnings, key, "a private key")
    return settings.model_copy(
        update={
            "broker": broker.model_copy(update={"password": password}),
            "warnings": tuple(warnings),
        }
    )
