"""Where the broker is, who we are there, where data lives: a file, the environment, a secret.

Order: built-in values, then the settings file, then the environment. A password comes from a
file or a service credential, never from the command line or a URL, and is never shown.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import unquote, urlsplit

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, IPvAnyAddress, SecretStr, ValidationError

from studiobridge.bridge.rights import open_to_others

if TYPE_CHECKING:
    from studiobridge.profile.text import Document

CREDENTIAL = "broker-password"
# … and `frames-HOST` is the password of a camera
CAMERA_CREDENTIAL = "frames"
APP = "studiobridge"
NOT_A_URL = "STUDIOBRIDGE_BROKER is not a URL like mqtts://user@host:8883"


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

    def camera(self, host: str) -> tuple[str | None, str | None, Path | None]:
        """User, password and authority at a camera of this host. Raises SettingsError.

        Read when it is needed: who asks the bridge for something need not be able to read it.
        """
        found = self.frames.get(host, CameraSettings())
        path = found.password_file
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if path is None and folder and (Path(folder) / f"{CAMERA_CREDENTIAL}-{host}").exists():
            path = Path(folder) / f"{CAMERA_CREDENTIAL}-{host}"
        if found.ca is not None and not found.ca.is_file():
            raise SettingsError(f"frames: {host}: ca: there is no file {found.ca}")
        password = None if path is None else _secret_in(path)
        if password is not None and found.user is None:
            raise SettingsError(f"frames: {host}: a password needs its user: {{user: NAME}}")
        return found.user, password, found.ca


_MODELS: dict[str, type[BaseModel]] = {
    "broker": BrokerSettings,
    "tls": TlsSettings,
    "panel": PanelSettings,
    "metrics": MetricsSettings,
    "frames": CameraSettings,
}


def _problem(document: Document, error: ValidationError) -> str:
    from studiobridge.profile.findings import nearest

    lines = []
    for item in error.errors(include_url=False, include_input=False):
        path = tuple(item["loc"])
        last = str(path[-1]) if path else ""
        if item["type"] == "extra_forbidden":
            model: type[BaseModel] = Settings
            for part in path[:-1]:
                model = _MODELS.get(str(part), model)
            known = [f.alias or n for n, f in model.model_fields.items() if not f.exclude]
            what, todo = f"unknown key '{last}'", nearest(last, known)
            lines.append(str(document.problem(path, what, todo, key=True)))
        else:
            lines.append(str(document.problem(path, f"'{last}': {item['msg'].lower()}")))
    return "\n".join(lines)


def load_settings(file: Path | None = None, env: Mapping[str, str] | None = None) -> Settings:
    """The settings in force. Raises SettingsError."""
    env = os.environ if env is None else env
    named = env.get("STUDIOBRIDGE_SETTINGS")
    path = file or (Path(named) if named else platformdirs.user_config_path(APP) / "settings.yaml")
    values: dict[str, object] = {}
    document: Document | None = None
    if path.exists() or file is not None or named:
        # reading YAML is a tenth of the time of a command, and needed where there is a file
        from studiobridge.profile.text import ProfileError, bytes_of, read_document

        try:
            document = read_document(bytes_of(path), str(path))
        except OSError as error:
            raise SettingsError(f"{path} cannot be read: {error.strerror or error}") from None
        except ProfileError as error:
            raise SettingsError(str(error)) from None
        said = document.root.value()
        assert isinstance(said, dict)
        values = said
        broker_said = values.get("broker")
        if isinstance(broker_said, dict) and "password" in broker_said:
            where = document.problem(("broker", "password"), "a password does not belong here")
            raise SettingsError(f"{where}; write it into a file and name that as 'password_file'")
        cameras = values.get("frames")
        for host, camera in cameras.items() if isinstance(cameras, dict) else ():
            if isinstance(camera, dict) and "password" in camera:
                at = ("frames", host, "password")
                problem = document.problem(at, "a password does not belong here")
                raise SettingsError(
                    f"{problem}; write it into a file and name that as 'password_file'"
                )
        _resolve(values, path.parent)
    broker = dict(values["broker"]) if isinstance(values.get("broker"), dict) else {}  # type: ignore[call-overload]
    if "broker" in values and not isinstance(values["broker"], dict):
        raise SettingsError(f"{path}: 'broker' is a mapping of keys to values")
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
    values["broker"] = broker
    if env.get("STUDIOBRIDGE_DATA"):
        values["data"] = env["STUDIOBRIDGE_DATA"]
    if env.get("STUDIOBRIDGE_SET"):
        values["set"] = env["STUDIOBRIDGE_SET"]
    try:
        settings = Settings.model_validate(values)
    except ValidationError as error:
        if document is not None:
            raise SettingsError(_problem(document, error)) from None
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise SettingsError(f"settings: {place}: {first['msg']}") from None
    return _with_secret(settings, env)


def _resolve(values: dict[str, object], folder: Path) -> None:
    """Paths in a settings file are relative to the file."""

    def fix(holder: object, key: str) -> None:
        if isinstance(holder, dict) and isinstance(holder.get(key), str):
            holder[key] = str(folder / Path(holder[key]).expanduser())

    fix(values, "data")
    broker = values.get("broker")
    fix(broker, "password_file")
    tls = broker.get("tls") if isinstance(broker, dict) else None
    for key in ("ca", "cert", "key"):
        fix(tls, key)
    for key in ("cert", "key", "ca"):
        fix(values.get("panel"), key)
    cameras = values.get("frames")
    for camera in cameras.values() if isinstance(cameras, dict) else ():
        for key in ("password_file", "ca"):
            fix(camera, key)
    profiles = values.get("profiles")
    if isinstance(profiles, list):
        values["profiles"] = [
            str(folder / Path(p).expanduser()) if isinstance(p, str) else p for p in profiles
        ]


def _from_url(url: str, before: Mapping[str, object]) -> dict[str, object]:
    """A broker URL: mqtt://user@host:port or mqtts://… Raises SettingsError."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise SettingsError(
            "STUDIOBRIDGE_BROKER is not a URL like mqtts://user@host:8883"
        ) from None
    if parts.password is not None:
        raise SettingsError(
            "STUDIOBRIDGE_BROKER has a password in it; leave it out and name a file with"
            " STUDIOBRIDGE_PASSWORD_FILE"
        )
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or parts.path not in ("", "/"):
        raise SettingsError(NOT_A_URL)
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


def _secret_in(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"the password file {path} cannot be read: {error}") from None
    if not text:
        raise SettingsError(f"the password file {path} is empty")
    return text


def _with_secret(settings: Settings, env: Mapping[str, str]) -> Settings:
    broker = settings.broker
    warnings: list[str] = []
    path = broker.password_file
    folder = env.get("CREDENTIALS_DIRECTORY")
    if path is None and folder and (Path(folder) / CREDENTIAL).exists():
        path = Path(folder) / CREDENTIAL
    password = None
    if path is not None:
        text = _secret_in(path)
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
            if file is not None and not file.is_file():
                raise SettingsError(f"tls: {name}: there is no file {file}")
    for key in (broker.tls.key if broker.tls is not None else None, settings.panel.key):
        if key is not None:
            _warn(warnings, key, "a private key")
    return settings.model_copy(
        update={
            "broker": broker.model_copy(update={"password": password}),
            "warnings": tuple(warnings),
        }
    )
