"""What a simulated device has left, and how warm it is: batteries that fall, cards that fill.

Sans-I/O. Only what a device reports is simulated; its dice are its own, so that an evening from a
seed is the same whether somebody reports a battery or not.
"""

from __future__ import annotations

import random

from studiobridge.profile.model import SUPPLIES, Device, Point, Value

# Where nothing is said of what a battery holds and gives, it lasts so long (h): a beltpack's
# evening (common practice).
LASTS = 6.0
# It says of itself that it is low from here (%).
LOW = 15.0
# A room, and how much warmer a device is that works (°C).
ROOM, WORKS = 21.0, 14.0
# Warm in a quarter of an hour, as cases of a kilogram are (common practice).
WARMS_IN = 900.0


class SimulatedSupplies:
    """Of one device. `battery` in %, `card` in minutes left, `warmth` in °C."""

    def __init__(self, device: Device, seed: int | str) -> None:
        dice = random.Random(f"{seed} {device.name} supplies")
        self.device = device
        self.points: tuple[Point, ...] = tuple(p for p in SUPPLIES if p in device.hears)
        self.battery = dice.uniform(45.0, 95.0)
        self.card = dice.uniform(60.0, 180.0)
        self.warmth = ROOM
        hours = LASTS
        if device.holds and device.draws > 0:
            hours = device.holds / device.draws
        self.falls = 100.0 / (hours * 3600.0) if device.battery else 0.0
        self._at: float | None = None

    def pass_time(self, now: float, works: bool, rolling: bool) -> None:
        """Up to now it worked (or not), and rolled (or not)."""
        gone = 0.0 if self._at is None else max(0.0, now - self._at)
        self._at = now
        if works:
            self.battery = max(0.0, self.battery - gone * self.falls)
        if rolling:
            self.card = max(0.0, self.card - gone / 60.0)
        goal = ROOM + (WORKS if works else 0.0)
        self.warmth += (goal - self.warmth) * min(1.0, gone / WARMS_IN)

    def state(self) -> dict[Point, Value]:
        """What it would report now: whole percent and minutes, as gear says them."""
        said: dict[Point, Value] = {
            "battery": float(int(self.battery)),
            "battery_low": self.battery <= LOW,
            "card": float(int(self.card)),
            "temperature": round(self.warmth, 1),
        }
        return {point: said[point] for point in self.points}
