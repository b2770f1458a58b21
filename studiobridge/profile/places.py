"""The room, what stands in it and where, the picture that is made there."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from studiobridge.craft.exposure import C_DOME, C_FLAT, shutter_of_angle
from studiobridge.craft.mains import resistance
from studiobridge.profile.findings import Part, nearest
from studiobridge.profile.model import (
    MARK,
    Device,
    Lead,
    Picture,
    PictureTolerance,
    Place,
    Room,
    Variation,
)
from studiobridge.profile.shape import LeadShape, PlaceShape, RoomShape
from studiobridge.profile.text import Path


class Places(Part):
    """Where things are."""

    def room(self) -> Room:
        shape = self.shape.room
        for name, variation in shape.variations.items():
            for link in variation.__pydantic_extra__ or {}:
                if link not in shape.chain:
                    at: Path = ("room", "variations", name, link)
                    what = f"the chain has no '{link}' to vary"
                    self.wrong(at, what, nearest(link, shape.chain), key=True)
        mark = None
        if shape.mark is not None:
            mark = Place(float(shape.mark.from_back), shape.mark.across, float(shape.mark.height))
            self._inside(mark, shape, ("room", "mark"), "the mark")
        self._stations(shape)
        return Room(
            depth=shape.depth,
            width=float(shape.width) if shape.width is not None else None,
            height=float(shape.height) if shape.height is not None else None,
            mark=mark,
            chain=MappingProxyType(dict(shape.chain)),
            variations=tuple(
                Variation(name, v.title, MappingProxyType(dict(v.__pydantic_extra__ or {})))
                for name, v in shape.variations.items()
            ),
            stations=MappingProxyType(dict(shape.stations)),
        )

    def _stations(self, shape: RoomShape) -> None:
        """What is said to stand at the end of a link has a place, and the chain has the link."""
        devices = self.shape.devices
        for name, link in shape.stations.items():
            at: Path = ("room", "stations", name)
            if name == MARK and shape.mark is None:
                self.wrong(at, "there is no 'mark' in the room", "add 'mark:' to 'room:'", key=True)
            elif name != MARK and name not in devices:
                what = f"there is no '{name}' that could stand there"
                self.wrong(at, what, nearest(name, [MARK, *devices]), key=True)
            elif name != MARK and devices[name].place is None:
                what = f"'{name}' has no place to compare with the chain"
                self.wrong(at, what, f"give '{name}' a place", key=True)
            if link not in shape.chain:
                self.wrong(at, f"the chain has no link '{link}'", nearest(link, shape.chain))

    def check_place(
        self, name: str, device: Device, room: Room, devices: Mapping[str, Device]
    ) -> None:
        at: Path = ("devices", name)
        only: list[tuple[str, bool, object]] = [
            ("role", device.fixture, device.role),
            ("output", device.fixture, device.output),
            ("beam", device.fixture, device.beam),
            # a display may be in the picture, or light a face
            ("pwm", device.fixture or device.kind == "display", device.pwm),
            ("flicker", device.fixture or device.kind == "display", device.flicker),
            ("size", device.fixture, device.size),
            ("glow", device.kind == "backdrop", device.glow),
            ("keys", device.kind == "backdrop", device.keys),
            ("dye", device.kind == "backdrop", device.dye),
            ("duv", device.fixture, device.duv),
            ("reflects", device.kind == "backdrop", device.reflects),
            ("holds", device.battery, device.holds),
            ("receptor", device.kind == "sensor", self.shape.devices[name].receptor),
        ]
        for key, fits, value in only:
            if value is not None and not fits:
                what = f"'{name}' is a {device.kind} and has no '{key}'"
                if key == "holds":
                    what = f"'{name}' is not on battery, so it holds nothing"
                self.wrong((*at, key), what, key=True)
        place = device.place
        if device.kind == "sensor" and "lux" in device.hears:
            self._faces(name, device)
        if place is None:
            return
        self._inside(place, self.shape.room, (*at, "place"), f"'{name}'")
        aim = place.aim
        if aim is None:
            return
        where: Path = (*at, "place", "aim")
        if aim == MARK:
            if room.mark is None:
                self.wrong(where, "there is no mark to aim at", "add 'mark:' to 'room:'")
                return
            target = room.mark
        elif aim not in devices or aim == name:
            self.wrong(where, f"there is no '{aim}' to aim at", nearest(aim, [MARK, *devices]))
            return
        else:
            found = devices[aim].place
            if found is None:
                self.wrong(where, f"'{aim}' has no place to aim at", f"give '{aim}' a place")
                return
            target = found
        if (place.from_back, place.across, place.height) == (
            target.from_back,
            target.across,
            target.height,
        ):
            self.wrong((*at, "place"), f"'{name}' stands exactly where it aims", key=True)

    def _faces(self, name: str, device: Device) -> None:
        """A light sensor is compared with what should be there: only where it stands and looks."""
        if device.place is None or device.place.aim is None:
            at: Path = ("devices", name) if device.place is None else ("devices", name, "place")
            what = "where it stands" if device.place is None else "what it faces"
            todo = "add 'place:'" if device.place is None else "add 'aim:'"
            self.doubt(
                at,
                f"'{name}' measures light and does not say {what}: its reading is compared with"
                " nothing",
                todo,
                key=True,
            )

    def _inside(self, place: Place, room: RoomShape, at: Path, what: str) -> None:
        """Nothing stands outside the room it is in."""
        if room.depth is not None and place.from_back > room.depth:
            self.wrong(
                (*at, "from_back"),
                f"{what} is {place.from_back:g} m from the back wall of a room"
                f" {float(room.depth):g} m deep",
            )
        if room.width is not None and abs(place.across) > float(room.width) / 2:
            self.wrong(
                (*at, "across"),
                f"{what} is {abs(place.across):g} m from the middle of a room"
                f" {float(room.width):g} m wide",
                "across is 0 in the middle, negative to the left as the camera sees it",
            )
        if room.height is not None and place.height > room.height:
            self.wrong(
                (*at, "height"),
                f"{what} is {place.height:g} m up in a room {float(room.height):g} m high",
            )

    def lead(self, shape: LeadShape | None, at: Path) -> Lead | None:
        if shape is None:
            return None
        lead = Lead(float(shape.length), *shape.section)
        try:
            resistance(lead.length, square_mm=lead.square_mm, awg=lead.awg)
        except ValueError as error:
            what, _, todo = str(error).partition("; ")
            self.wrong(at, what, todo)
        return lead

    def picture(self, devices: Mapping[str, Device]) -> Picture:
        shape = self.shape.picture
        if shape.camera is not None:
            camera = devices.get(shape.camera)
            cameras = [d.name for d in devices.values() if d.kind == "camera"]
            if camera is None or camera.kind != "camera":
                what = f"there is no camera '{shape.camera}'"
                self.wrong(("picture", "camera"), what, nearest(shape.camera, cameras))
        shutter, angle = shape.shutter or (None, None)
        if angle is not None:
            if shape.frames is None:
                what = "a shutter in degrees needs the frame rate"
                self.wrong(("picture", "shutter"), what, "add 'frames: 25 fps'")
            else:
                shutter = shutter_of_angle(angle, shape.frames)
        if shutter is not None and shape.frames is not None and shutter * shape.frames > 1 + 1e-9:
            self.wrong(
                ("picture", "shutter"),
                f"{shutter:g} s is longer than a frame at {shape.frames:g} fps",
            )
        return Picture(
            camera=shape.camera,
            focal=shape.focal,
            sensor=shape.sensor,
            aspect=shape.aspect,
            frames=shape.frames,
            shutter=shutter,
            iso=float(shape.iso) if shape.iso is not None else None,
            aperture=shape.aperture,
            transmission=(shape.transmission / 100.0 if shape.transmission is not None else None),
            white=shape.white,
            duv=shape.duv,
            constant=C_DOME if shape.meter == "dome" else C_FLAT,
            receptor=shape.meter,
            daylight=shape.locus == "daylight",
            whites_within=shape.whites_within,
            fits=shape.fits,
            hold=PictureTolerance(
                shape.hold.face, shape.hold.ratio, shape.hold.white, shape.hold.duv
            ),
        )


def place_of(shape: PlaceShape | None) -> Place | None:
    if shape is None:
        return None
    return Place(float(shape.from_back), shape.across, float(shape.height), shape.aim)
