"""Commands that read how a set stands and stood: status, drift, watch, record."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    DONE,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    run_asking,
    settings_or_stop,
    which_set,
    with_asker,
)
from studiobridge.shown import (
    drift_words,
    proof_words,
    quieted,
    sensor_words,
    step_words,
    supplied,
    words,
)
from studiobridge.shown.before import noted

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker


def _pictured(asker: Asker) -> None:
    """The line about the camera's picture, where somebody looks at it."""
    found = (asker.shown.state or {}).get("picture_seen")
    if found is None:
        return
    import time

    from studiobridge.shown import seen

    # where only a kept beat was heard so far, its clock agrees with ours, or it counts as silent
    now = time.time() + (asker.shown.clock or 0.0) if asker.shown.bridge_alive else None
    at = None if asker.shown.old else now
    if line := seen.line(found, at, seen.every_of(found), drift=asker.shown.drift):
        show.out(line)


@app.command()
def status(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """How the set stands."""
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        shown = await asker.need_bridge()
        if as_json:
            show.print_json(shown.status())
        else:
            status = shown.status()
            show.print_status(status, status["devices"])
            _pictured(asker)
        return DONE

    run_asking(with_asker(loaded, name, use, devices=True))


@app.command()
def drift(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """What differs from its preset, by how much and since when."""
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        shown = await asker.need_bridge()
        if shown.old:
            show.fail("as it was last seen: the bridge that runs now has not said yet")
        if as_json:
            show.print_json(shown.drift)
        elif shown.old and not shown.drift:
            show.out("nothing had drifted")
        elif not shown.drift:
            show.out("nothing has drifted")
        else:
            for line in drift_words.drift_lines(shown.drift, (shown.state or {}).get("picture")):
                show.out(line)
        if not as_json:
            _pictured(asker)
        return DONE

    run_asking(with_asker(loaded, name, use))


@app.command()
def watch(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Follow the set until interrupted: states, drift, steps."""
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        from studiobridge.bridge.asking import NoBroker

        await asker.need_bridge()
        last: dict[str, Any] = {}
        while asker.connected:
            now = {
                "alive": asker.shown.bridge_alive,
                "state": asker.shown.state_now(),
                "drift": asker.shown.drift,
                "misheard": _misheard(asker.shown.devices),
            }
            if as_json:
                import json

                if now != last:
                    print(json.dumps(now, ensure_ascii=False), flush=True)
            else:
                for line in _news(last, now):
                    show.out(line)
            last = now
            await asker.changed()
        raise NoBroker("the link to the broker was lost")

    run_asking(with_asker(loaded, name, use, devices=True))


def _news(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What is worth a line, comparing two moments."""
    from datetime import datetime

    clock = datetime.now().astimezone().strftime("%H:%M:%S")
    lines = []
    if before.get("alive") is not False and not now["alive"]:
        lines.append("the bridge is gone")
    if before.get("alive") is False and now["alive"]:
        lines.append("the bridge is back")
    state, was = now.get("state") or {}, before.get("state") or {}
    if state.get("state") != was.get("state") or state.get("look") != was.get("look"):
        lines.append(show.headline(state))
    if state.get("rolling") != was.get("rolling"):
        names = words.listed(words.names(state.get("rolling")))
        lines.append(f"rolling: {names}" if names else "nothing is known to roll")
    then = [(e["device"], e.get("point")) for e in words.entries(was.get("supplies"))]
    low = words.entries(state.get("supplies"))
    new = [e for e in low if (e["device"], e.get("point")) not in then]
    lines.extend(supplied.supplies({**state, "supplies": new}, datetime.now().astimezone()))
    before_read = {str(e["device"]): e for e in words.entries(was.get("sensors"))}
    for entry in words.entries(state.get("sensors")):
        change = words.number(entry.get("since_ready"))
        earlier = words.number(before_read.get(str(entry["device"]), {}).get("since_ready"))
        if change is not None and earlier is None:
            lines.append(sensor_words.unexplained(entry, change))
        elif change is None and earlier is not None and entry.get("fresh") is True:
            name = words.clean(entry["device"], 40)
            lines.append(f"the light at {name} is as when ready, or explained")
    open_now, open_then = _by_device(now.get("drift")), _by_device(before.get("drift"))
    news = [
        name
        for name, entries in open_now.items()
        if [(e.get("drift"), e.get("reported")) for e in entries]
        != [(e.get("drift"), e.get("reported")) for e in open_then.get(name, ())]
    ]
    lines.extend(drift_words.drift_line(open_now[name]) for name in news)
    if news and len(open_now) > 1:
        shown = drift_words.picture(state.get("picture"))
        if shown:
            lines.append(f"reckoned for the picture: {shown}")
    for name in open_then:
        if name not in open_now:
            lines.append(f"{words.clean(name)}: back where it belongs")
    misheard, before_that = now.get("misheard") or {}, before.get("misheard") or {}
    for name, said in misheard.items():
        for text in proof_words.misheard(said):
            if text not in proof_words.misheard(before_that.get(name, {})):
                lines.append(f"{words.clean(name, 40)}: {text}")
    refused = {"unreadable": state.get("unreadable")}
    if state.get("unreadable") != was.get("unreadable"):
        lines.extend(proof_words.misheard(refused))
    return [f"{clock}  {line}" for line in lines]


def _misheard(devices: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """What cannot be read, and what is never there, of each device that has any."""
    keys = ("unreadable", "lacks")
    return {
        name: {key: device.get(key) for key in keys}
        for name, device in devices.items()
        if any(device.get(key) for key in keys)
    }


def _by_device(entries: Any) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for entry in entries or ():
        found.setdefault(str(entry.get("device")), []).append(entry)
    return found


@app.command()
def record(
    session: Annotated[
        int | None, typer.Option(min=1, max=99_999_999, help="One session's timeline.")
    ] = None,
    drifts: Annotated[bool, typer.Option("--drift", help="Drift, by device.")] = False,
    device: Annotated[str | None, typer.Option(help="Only this device's drift.")] = None,
    backup: Annotated[
        Path | None,
        typer.Option(help="Copy the record into this file, bridge running or not."),
    ] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV.")] = False,
) -> None:
    """What was: sessions, one session step by step, drift by device."""
    from studiobridge.bridge.reading import Reader, back_up
    from studiobridge.bridge.tables import RecordError, record_place

    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)
    if backup is not None:
        try:
            size = back_up(record_place(loaded, name), backup)
        except RecordError as error:
            raise Stop(BAD_INPUT, str(error)) from None
        show.out(f"{backup}: the record of {name}, {size / 1e6:.1f} MB")
        return
    try:
        reader = Reader(record_place(loaded, name))
    except RecordError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    try:
        if session is not None:
            rows = reader.timeline(session)
            if not rows:
                raise Stop(BAD_INPUT, f"there is no session {session}")
        elif drifts or device is not None:
            rows = reader.drifts(device)
        else:
            rows = reader.sessions()
    finally:
        reader.close()
    rows = [{key: _shown_time(key, value) for key, value in row.items()} for row in rows]
    if as_json:
        show.print_json(rows)
        return
    if as_csv:
        import csv

        heads = list(dict.fromkeys(key for row in rows for key in row))
        writer = csv.DictWriter(sys.stdout, heads, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return
    if session is not None:
        for row in _together(rows):
            show.out(_timeline_line(row))
    elif drifts or device is not None:
        table = [
            (
                str(row["drift"]),
                str(row["device"]),
                drift_words.by_how_much({**row, "reported": row.get("worst")}),
                words.moment(row["opened"], date=True) if row["opened"] else "",
                words.moment(row["closed"]) if row["closed"] else "open",
                str(row["how"]),
            )
            for row in rows
        ]
        show.print_table(("", "device", "at its worst", "opened", "closed", "how"), table)
    else:
        table = [
            (
                str(row["session"]),
                words.moment(row["opened"], date=True) if row["opened"] else "",
                words.moment(row["ready"]) if row["ready"] else "",
                words.moment(row["closed"]) if row["closed"] else "open",
                str(row["look"] or ""),
                f"{row['kwh']:.3f}" if row["kwh"] is not None else "",
            )
            for row in rows
        ]
        show.print_table(("session", "opened", "ready", "closed", "look", "kWh"), table)


def _shown_time(key: str, value: Any) -> Any:
    if key in ("at", "opened", "ready", "closed") and isinstance(value, float):
        from datetime import UTC, datetime

        moment = datetime.fromtimestamp(value, UTC).isoformat(timespec="milliseconds")
        return moment.replace("+00:00", "Z")
    return value


def _step_line(row: Mapping[str, Any]) -> str:
    phase = step_words.phase_of(row)
    if phase == "skipped":
        return f"skipped: {row['device']}"
    return f"{row['device']}: {step_words.action_of(row)} {row['value']} {phase}"


def _together(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What was skipped for one reason, one after the other, is one line."""
    made: list[dict[str, Any]] = []
    for row in rows:
        last = made[-1] if made else {}
        if (
            row["kind"] == last.get("kind") == "step"
            and step_words.phase_of(row) == step_words.phase_of(last) == "skipped"
            and (row["run"], row["text"]) == (last["run"], last["text"])
        ):
            if row["device"] not in last["device"].split(", "):
                last["device"] += f", {row['device']}"
            continue
        made.append(dict(row))
    return made


def _by_hand(row: Mapping[str, Any]) -> str:
    if row["level"] is None and row["cct"] is None:
        return f"{row['device']} is no longer as set by hand, by {row['by']}"
    return f"{row['device']} set by hand to {words.preset(row)} by {row['by']}"


def _timeline_line(row: Mapping[str, Any]) -> str:
    clock = words.moment(row["at"])
    kind = row["kind"]
    said = {
        "request": lambda: f"{row['by'] or row['source']} asks {row['what']}: {row['phase']}",
        "run": lambda: f"{row['what']} {row['phase']}",
        "step": lambda: _step_line(row),
        "drift": lambda: f"{row['device']} {row['point']} {row['phase']} {row['how']}",
        "fault": lambda: f"fault: {row['device'] or ''}",
        "lockout": lambda: f"lockout {row['phase']}: {row['target']} by {row['by']}, {row['why']}",
        "rolling": lambda: f"{row['device']} {'rolls' if row['rolling'] else 'stopped'}",
        "by hand": lambda: _by_hand(row),
        "light": lambda: sensor_words.light_note(row),
        "quiet": lambda: quieted.noted(row),
        "state": lambda: f"state: {row['state']}",
        "tick": lambda: noted(row),
        "before": lambda: noted(row),
    }[kind]()
    text = row.get("text") or row.get("why") or ""
    line = f"{clock}  {' '.join(said.split())}"
    if text and kind not in ("lockout",):
        line += f": {text}"
    return words.clean(line, 600)
