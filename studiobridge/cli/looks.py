"""Commands about looks: what the profile has, and how the lights stand now as a new one.

`look preview` is in previewing.py.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NOT_THERE,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    profile_of,
    read_or_stop,
    run_asking,
    settings_or_stop,
    which_set,
    with_asker,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker
    from studiobridge.profile.build import Reading

look_app = typer.Typer(
    help="The looks of a set: list, show and preview them; save how the lights stand now.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(look_app, name="look")

NameArgument = Annotated[str, typer.Argument(help="The name of the look.")]


def reading_of(profile: Path | None, set_name: str | None, settings_file: Path | None) -> Reading:
    """The profile at hand: named, or the one of the settings that describes this set."""
    if profile is None:
        settings = settings_or_stop(settings_file)
        wanted = set_name or settings.set_name
        for path in settings.profiles:
            reading = read_or_stop(path)
            if wanted == reading.profile.name or (wanted is None and len(settings.profiles) == 1):
                return reading
        here = profile_of(settings, wanted) if wanted is not None else None
        if here is not None:
            return read_or_stop(here)
        raise Stop(BAD_INPUT, "which profile? say --profile FILE, or name it in the settings file")
    reading = read_or_stop(profile)
    if set_name is not None and set_name != reading.profile.name:
        raise Stop(BAD_INPUT, f"{profile} describes '{reading.profile.name}', not '{set_name}'")
    return reading


@look_app.command("list")
def list_looks(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """The looks that stand in the profile. Needs no bridge."""
    from studiobridge.shown import looks

    found = reading_of(profile, set_name, settings).profile
    if as_json:
        show.print_json(looks.looks_json(found))
    elif not found.looks:
        show.out(f"{found.name} has no looks yet: `studiobridge look save NAME` makes one")
    else:
        show.print_table(("look", "title", "lights", ""), looks.looks_rows(found))


@look_app.command("show")
def show_look(
    name: NameArgument,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """One look: each light's level and white, who sets it, the light at the mark. No bridge."""
    from studiobridge.control.plan import no_such_look
    from studiobridge.shown import looks

    found = reading_of(profile, set_name, settings).profile
    look = found.looks.get(name)
    if look is None:
        raise Stop(BAD_INPUT, no_such_look(words.clean(name, 60), found.looks))
    if as_json:
        show.print_json(looks.look_json(found, look))
        return
    show.out(f"{words.clean(name)}: {words.clean(look.title)}" if look.title else words.clean(name))
    show.print_table(("light", "level", "white", ""), looks.look_rows(found, look))
    for line in looks.look_lines(found, look):
        show.out(line)


@look_app.command("save")
def save_look(
    name: NameArgument,
    title: Annotated[str, typer.Option(help="A title for it.")] = "",
    lights: Annotated[
        list[str] | None, typer.Option("--light", help="Only these lights; may be said again.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over the look of this name.")
    ] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Save nothing where a light would be left out.")
    ] = False,
    no_picture: Annotated[
        bool, typer.Option("--no-picture", help="Keep no picture of it beside the profile.")
    ] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """How the lights stand now becomes a look in the profile. Tells no light anything.

    Where the camera's picture is looked at, a picture of it is kept as well, with nobody in it.
    """
    loaded = settings_or_stop(settings)
    set_name, _ = which_set(loaded, set_name, profile)
    wish = {"title": title, "targets": lights, "replace": replace, "strict": strict}

    async def use(asker: Asker) -> int:
        await asker.need_bridge()
        return await _saved(asker, name, wish, no_picture, as_json)

    run_asking(with_asker(loaded, set_name, use))


async def _saved(
    asker: Asker, name: str, wish: dict[str, Any], no_picture: bool, as_json: bool
) -> int:
    """Save it, and where the camera's picture is looked at, keep a picture of it."""
    code = NOT_THERE
    async for answer in asker.ask("save_look", look=name, **wish):
        if not answer.final:
            continue
        code = answer.code
        if not as_json:
            (show.out if code == 0 else show.fail)(words.clean(answer.text, 2000))
        kept = None if code != 0 or no_picture else await _keep_picture(asker, name)
        if as_json:
            said = {"code": code, "text": answer.text, "detail": dict(answer.detail)}
            show.print_json(said | ({} if kept is None else {"picture": kept}))
        elif kept is not None:
            (show.out if kept["kept"] else show.fail)(str(kept["text"]))
    return code


KEPT_UNKNOWN = (
    "whether a picture of it was kept is not known: {}; look into the folder NAME.witness beside"
    " the profile"
)


async def _keep_picture(asker: Asker, look: str) -> dict[str, Any] | None:
    """What was kept of the picture, or why nothing was; None where nobody looks at one.

    The look stands either way: what happens here changes nothing of it.
    """
    from studiobridge.bridge.asking import NoAnswer, NoWitness
    from studiobridge.cli.waiting import waiting
    from studiobridge.shown import seen

    alive = asker.shown.witness
    if alive is None or alive.get("alive") is not True:
        return None
    try:
        async with waiting("keeping a picture of it"):
            answer = await asker.ask_witness("keep", look=look)
    except NoAnswer as error:
        # it may keep one a moment later, with whoever it misses: nobody is told that there is none
        return {"kept": None, "text": KEPT_UNKNOWN.format(error)}
    except NoWitness as error:
        return {"kept": False, "text": seen.picture_kept(False, str(error))}
    return {"kept": answer.code == 0, "text": seen.picture_kept(answer.code == 0, answer.text)}


# what is foreseen joins the group last: a group is found by the module of its first command
from studiobridge.cli.previewing import preview_look  # noqa: E402

look_app.command("preview")(preview_look)
