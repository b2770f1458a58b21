"""What a meter said with which lights on: `readings:` of a profile."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from studiobridge.profile.findings import Part, nearest
from studiobridge.profile.model import Device, Look, MeterReading, Preset

FACE = "face"


class MeterReadings(Part):
    """Each reading with the presets of the lights that were lit."""

    def readings(
        self, looks: Mapping[str, Look], devices: Mapping[str, Device]
    ) -> tuple[MeterReading, ...]:
        found = []
        for i, shape in enumerate(self.shape.readings):
            backdrops = [d.name for d in devices.values() if d.kind == "backdrop"]
            if shape.at != FACE and shape.at not in backdrops:
                todo = nearest(shape.at, [FACE, *backdrops])
                self.wrong(("readings", i, "at"), f"a meter is not held at '{shape.at}'", todo)
            name = shape.look or self.shape.default_look or next(iter(looks), None)
            if shape.look is not None and shape.look not in looks:
                todo = nearest(shape.look, looks)
                self.wrong(("readings", i, "look"), f"there is no look '{shape.look}'", todo)
            presets = looks[name].presets if name is not None and name in looks else {}
            on: dict[str, Preset] = {}
            for light, level in (shape.on or {}).items():
                device = devices.get(light)
                if device is None or not device.fixture:
                    lights = [d.name for d in devices.values() if d.fixture]
                    todo = nearest(light, lights)
                    self.wrong(("readings", i, "on", light), f"there is no light '{light}'", todo)
                elif level is not None:
                    on[light] = Preset(level, getattr(presets.get(light), "cct", None))
                elif light in presets:
                    on[light] = presets[light]
                else:
                    self.wrong(
                        ("readings", i, "on", light),
                        f"no level is known for '{light}': the look does not set it",
                        f"write the level: {{{light}: 100 %}}",
                    )
            lit = on if shape.on is not None else dict(presets)
            found.append(MeterReading(shape.read, shape.at, MappingProxyType(lit), name))
        return tuple(found)
