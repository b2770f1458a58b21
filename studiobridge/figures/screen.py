"""The light that a screen sends which is keyed, in red, green and blue as the camera sees it.

A matt surface (Lambert) of the colour its `dye` says, under every light that reaches it, with its
own light, which is taken for even. A camera that is set to a white sees that white as 1, 1, 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from studiobridge.craft import mark
from studiobridge.craft.chroma import Colour, linear_of
from studiobridge.craft.colour import is_white, xy_of_uv
from studiobridge.figures import sure
from studiobridge.figures.backdrops import over
from studiobridge.figures.face import Whole, share_of, white_of
from studiobridge.figures.framing import Seen
from studiobridge.figures.rays import OUT_OF_THE_WALL, Source
from studiobridge.figures.reaching import lights_on
from studiobridge.profile.model import Device, Picture, Preset, SetProfile

Rgb = tuple[float, float, float]


class Screen:
    """The light a screen sends in red, green and blue (cd/m², a white of 1 is 1, 1, 1)."""

    def __init__(
        self,
        profile: SetProfile,
        device: Device,
        presets: Mapping[str, Preset],
        whole: Whole | None,
        missing: list[str],
    ) -> None:
        self.profile, self.device, self.presets, self.missing = profile, device, presets, missing
        self.channel = 1 if device.keys == "green" else 2
        picture = profile.picture
        kelvin = picture.white or (whole.cct if whole is not None else None)
        tint = picture.duv if picture.white else whole.duv if whole is not None else None
        self.balance = white_rgb(kelvin, picture, tint) if kelvin else (1.0, 1.0, 1.0)
        self.dye: Rgb = (1.0, 1.0, 1.0)
        if device.dye is not None:
            self.dye = linear_of(device.dye.x, device.dye.y)
        self.from_white = False
        self.own = self._own_light()
        # of each lit light that reaches it: what one lux of it is in red, green and blue
        self.lights: dict[str, Rgb] = {}
        self.shares: dict[str, float] = {}
        self.sources: dict[str, Source] = {}
        self.lux: dict[tuple[str, float, float], float] = {}
        self.reaches = self._lights()
        self.own_light_alone = max(self.own) > 0 and not self.lights
        self.has_shape = device.place is not None and device.size is not None
        self.knows_colour = device.dye is not None or max(self.own) > 0
        if not self.knows_colour:
            text = f"no dye given for {device.name}: how pure its {device.keys} is is not judged"
            if device.keys == "green":
                text += "; its level is that of its brightness, its green up to half a stop more"
            self.missing.append(text)

    def coloured(self, total: Rgb) -> bool:
        """Is the key's channel above the other two? Nothing is known of a cloth without a dye."""
        if not self.knows_colour:
            return self.device.keys == "green"
        return total[self.channel] > max(v for i, v in enumerate(total) if i != self.channel)

    def middle(self, seen: Seen | None) -> tuple[Rgb, Rgb] | None:
        """Its own light and what it reflects, in the middle of what the picture shows of it."""
        if not self.reaches:
            return None
        if not self.has_shape:
            if self.lights:
                self.missing.append(f"no size or place given for {self.device.name}: not judged")
                return None
            return self.own, (0.0, 0.0, 0.0)
        point = (0.0, 0.0)
        if seen is not None and seen.part and not seen.shows(point):
            count = len(seen.part)
            point = (sum(x for x, _ in seen.part) / count, sum(y for _, y in seen.part) / count)
        other: Rgb = (0.0, 0.0, 0.0)
        for name in self.lights:
            other = plus(other, self.from_light(name, point))
        return self.own, other

    def at(self, point: tuple[float, float]) -> Rgb:
        """What it sends at a point of it (m right of and above its middle)."""
        total = self.own
        for name in self.lights:
            total = plus(total, self.from_light(name, point))
        return total

    def from_light(self, name: str, point: tuple[float, float]) -> Rgb:
        """What it sends at a point of what one light throws on it."""
        place, reflects = self.device.place, self.device.reflects
        if name not in self.lights or place is None or reflects is None:
            return (0.0, 0.0, 0.0)
        key = (name, *point)
        if key not in self.lux:
            where = (place.across + point[0], place.from_back, place.height + point[1])
            full = self.sources[name].on_plane(where, OUT_OF_THE_WALL)
            self.lux[key] = full * self.shares[name]
        return _scaled(self.lights[name], mark.luminance_of(self.lux[key], reflects))

    def within(self, own: Rgb, other: Rgb) -> float:
        """How well its level over the face is known (stops): makers' figures, glow, reflectance.

        As if nothing of the screen and the face came from the same lamp, which is the careful side.
        """
        whole = own[self.channel] + other[self.channel]
        mine, theirs = own[self.channel] / whole, other[self.channel] / whole
        share = math.hypot(sure.GLOW * mine, sure.MAKER * theirs, sure.REFLECTS * theirs)
        return math.hypot(share, sure.MAKER) / math.log(2.0)

    def grid(self, seen: Seen | None = None) -> list[tuple[float, float]]:
        """Points all over the screen, or over what the picture shows of it, edges included."""
        assert self.device.size is not None
        wide, high = self.device.size[0] / 2, self.device.size[1] / 2
        whole = ((-wide, -high), (wide, -high), (wide, high), (-wide, high))
        return over(seen.part if seen is not None and seen.part else whole)

    def _own_light(self) -> Rgb:
        preset, device = self.presets.get(self.device.name), self.device
        if preset is None or not preset.level:
            return (0.0, 0.0, 0.0)
        share = share_of(device, preset.level)
        if device.glow is None or share is None:
            self.missing.append(f"no glow given for {device.name}: its own light is not reckoned")
            return (0.0, 0.0, 0.0)
        if preset.colour is not None:
            self.from_white = True
            rgb = linear_of(preset.colour.x, preset.colour.y)
            return _scaled(balanced(rgb, self.balance), device.glow * share * _part(preset.colour))
        picture, duv = self.profile.picture, self.device.duv
        white = white_rgb(preset.cct, picture, duv) if preset.cct else self.balance
        sent = _filtered(balanced(white, self.balance), self.dye)
        return _scaled(sent, device.glow * share)

    def _lights(self) -> bool:
        """Find every light that reaches it; False where one that is aimed at it is not known."""
        otherwise = f"the key of {self.device.name} is not judged"
        reaching = lights_on(self.profile, self.device, self.presets, self.missing, otherwise)
        if reaching and self.device.reflects is None:
            text = f"no reflectance given for {self.device.name}: light on it is not reckoned"
            self.missing.append(text)
            return True
        for light in reaching or ():
            name, preset = light.name, self.presets[light.name]
            self.sources[name], self.shares[name] = light.source, light.share
            if preset.colour is not None:
                self.from_white = True
                self.shares[name] = light.share * _part(preset.colour)
                rgb = linear_of(preset.colour.x, preset.colour.y)
            else:
                kelvin = preset.cct
                duv = self.profile.devices[name].duv
                rgb = white_rgb(kelvin, self.profile.picture, duv) if kelvin else self.balance
            self.lights[name] = _times(balanced(rgb, self.balance), self.dye)
        return reaching is not None


def _part(colour: Colour) -> float:
    """How bright a colour is at most, over the white of the same three lights in it: as red, green
    and blue that add up to that white. A light with a white of its own may differ.
    """
    return 1.0 / max(linear_of(colour.x, colour.y))


def white_rgb(kelvin: float | None, picture: Picture, duv: float | None = None) -> Rgb:
    """A white in red, green and blue, as bright as 1; that of the primaries where there is none.

    `duv`: how far off the locus, where that is known; 0 is on whichever locus the picture has.
    """
    if kelvin is None or not is_white(kelvin):
        return (1.0, 1.0, 1.0)
    made = white_of(kelvin, 1.0, picture.daylight, duv or None)
    return linear_of(*xy_of_uv(made.u, made.v))


def balanced(rgb: Rgb, white: Rgb) -> Rgb:
    """As a camera sees it that is set to this white."""
    return (
        rgb[0] / max(white[0], 1e-3),
        rgb[1] / max(white[1], 1e-3),
        rgb[2] / max(white[2], 1e-3),
    )


def _filtered(rgb: Rgb, dye: Rgb) -> Rgb:
    """Light through or from a dye, as bright as before."""
    sent = _times(rgb, dye)
    before, after = _bright(rgb), _bright(sent)
    return _scaled(sent, before / after) if after > 0 else sent


def _bright(rgb: Rgb) -> float:
    # the luminances of red, green and blue at 1: IEC 61966-2-1
    return 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]


def plus(a: Rgb, b: Rgb) -> Rgb:
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


def _times(a: Rgb, b: Rgb) -> Rgb:
    return (a[0] * b[0], a[1] * b[1], a[2] * b[2])


def _scaled(rgb: Rgb, by: float) -> Rgb:
    return (rgb[0] * by, rgb[1] * by, rgb[2] * by)
