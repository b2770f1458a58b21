"""The camera's picture as witness: serve it, look once. (`learn` is in learning.py.)"""

from __future__ import annotations

import typer

from studiobridge.cli.base import (
    BAD_INPUT,
    JsonOption,
    ProfilesArgument,
    SettingsOption,
    Stop,
    app,
)

witness_app = typer.Typer(
    help="The camera's picture as witness: learn the lamps, look, and say what is seen.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(witness_app, name="witness")


def libraries_or_stop() -> None:
    """The witness has libraries of its own, which a set that has no camera does without."""
    from importlib.util import find_spec

    if any(find_spec(name) is None for name in ("numpy", "scipy", "cv2")):
        raise Stop(BAD_INPUT, "the witness needs more: pip install 'studiobridge[witness]'")


@witness_app.command("serve")
def witness_serve(profiles: ProfilesArgument = None, settings: SettingsOption = None) -> None:
    """Look at the picture while the set is up, and say what is seen, until stopped."""
    libraries_or_stop()
    raise Stop(BAD_INPUT, "not yet")


@witness_app.command("look")
def witness_look(
    profiles: ProfilesArgument = None, settings: SettingsOption = None, as_json: JsonOption = False
) -> None:
    """Look at the picture once, and say what is seen."""
    libraries_or_stop()
    raise Stop(BAD_INPUT, "not yet")
