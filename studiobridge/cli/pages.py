"""The page for phone and tablet: serve it, and say who may see and ask."""

from __future__ import annotations

import asyncio
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    JsonOption,
    ProfilesArgument,
    SettingsOption,
    Stop,
    app,
    read_or_stop,
    settings_or_stop,
    to_install,
    which_sets,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.settings import Settings
    from studiobridge.bridge.shelf import Shelf

panel_app = typer.Typer(
    help="The page for phone and tablet: serve it, and say who may see and ask.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(panel_app, name="panel")
ViewerOption = Annotated[bool, typer.Option("--viewer", help="May see, and ask for nothing.")]


def keys_of(settings: Settings) -> Any:
    try:
        from studiobridge.panel.keys import Keys, keys_path
    except ImportError:
        raise Stop(BAD_INPUT, f"the page needs more: {to_install('panel')}") from None
    return Keys(keys_path(settings.data))


@panel_app.command("serve")
def panel_serve(
    profiles: ProfilesArgument = None,
    settings: SettingsOption = None,
) -> None:
    """Serve the page until stopped. It visits the bridge like any other; loopback unless told."""
    loaded = settings_or_stop(settings)
    paths = profiles or list(loaded.profiles)
    if not paths:
        raise Stop(BAD_INPUT, which_sets("panel serve"))
    from studiobridge.bridge.shelf import Shelf

    readings = [read_or_stop(path).profile for path in paths if not path.is_dir()]
    shelf = Shelf([path for path in paths if path.is_dir()])
    keys_of(loaded)
    raise typer.Exit(asyncio.run(_serve_pages(loaded, readings, shelf)))


async def _serve_pages(settings: Settings, profiles: list[Any], shelf: Shelf) -> int:
    import signal

    from studiobridge.panel.serve import serve

    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    return await serve(settings, profiles, stopped, show.fail, shelf)


@panel_app.command("pair")
def panel_pair(
    viewer: ViewerOption = False,
    qr: Annotated[bool, typer.Option("--qr", help="Also draw it for a camera to read.")] = False,
    settings: SettingsOption = None,
) -> None:
    """Show a code that opens one page, within ten minutes."""
    loaded = settings_or_stop(settings)
    keys = keys_of(loaded)
    from studiobridge.panel.keys import KeysError

    try:
        code = keys.new_code("viewer" if viewer else "operator")
    except KeysError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    if qr:
        _draw_way_in(loaded, code)
    show.out(code)
    may = "see, and ask for nothing" if viewer else "see and ask"
    where = "" if qr else f" at {_address(loaded)}"
    show.fail(f"it opens one page{where} within ten minutes; who types it may {may}")


def _address(settings: Settings) -> str:
    from studiobridge.panel.serve import address_for_others

    return address_for_others(settings.panel)


def _draw_way_in(settings: Settings, code: str) -> None:
    """The address with the code in it as a drawing, and below it the same for eyes."""
    import segno

    from studiobridge.panel.serve import address_for_others, fingerprint_of, way_in

    panel = settings.panel
    address = address_for_others(panel)
    # in one colour where the terminal is asked for none, or is a file
    segno.make(way_in(address, code), error="m", micro=False).terminal(
        out=sys.stdout, border=2, compact=True
    )
    show.out(f"the page is at {address}")
    authority = panel.ca
    if authority is not None:
        try:
            shown = fingerprint_of(authority)
        except (OSError, ValueError) as error:
            raise Stop(BAD_INPUT, f"panel: ca: {authority} cannot be read: {error}") from None
        show.out(f"its certificate is signed here, by {address}/authority.crt with SHA-256")
        show.out(f"  {shown}")


@panel_app.command("password")
def panel_password(viewer: ViewerOption = False, settings: SettingsOption = None) -> None:
    """Set the password of operators (or viewers); asked for, or read from a pipe."""
    keys = keys_of(settings_or_stop(settings))
    from studiobridge.panel.keys import KeysError

    if sys.stdin.isatty():
        password = typer.prompt("password", hide_input=True, confirmation_prompt=True)
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    try:
        keys.set_password(password, "viewer" if viewer else "operator")
    except KeysError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    show.out("the password is set")


@panel_app.command("who")
def panel_who(settings: SettingsOption = None, as_json: JsonOption = False) -> None:
    """Whose pages are open: name, role, since when."""
    from datetime import UTC, datetime

    found = [
        {
            "name": s.name,
            "role": s.role,
            "since": datetime.fromtimestamp(s.since, UTC).isoformat(timespec="seconds"),
        }
        for s in keys_of(settings_or_stop(settings)).sessions()
    ]
    if as_json:
        show.print_json(found)
        return
    rows = [(f["name"], f["role"], words.moment(f["since"], date=True)) for f in found]
    show.print_table(("name", "role", "since"), rows)


@panel_app.command("forget")
def panel_forget(
    name: Annotated[str | None, typer.Argument(help="Whose pages; nobody named: all.")] = None,
    settings: SettingsOption = None,
) -> None:
    """End open pages: of one name, or all."""
    ended = keys_of(settings_or_stop(settings)).forget(name)
    show.out(f"{words.count(ended, 'page')} ended")
