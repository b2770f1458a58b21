"""What is known of the mains of every device of a set.

"No" to one question is not "yes" to its opposite: whoever energises asks whether it is surely
on, whoever reaches in whether it is surely off, and in between lies what nobody knows.
"""

from __future__ import annotations

from studiobridge.control.belief import Belief
from studiobridge.control.evidence import NEVER
from studiobridge.control.feeds import Feeds
from studiobridge.profile.model import SetProfile, figure


class Mains:
    """Every device of a set: has it mains, is its switch on, and how sure is that?"""

    def __init__(self, profile: SetProfile, feeds: Feeds) -> None:
        self.profile = profile
        self.feeds = feeds
        self.of = {name: Belief(device) for name, device in profile.devices.items()}
        self.now = NEVER

    def said_on(self, name: str) -> bool:
        """Was its last word, however old, that it is on?"""
        return self.of[name].said("was it so", "switch") is True

    def said_off(self, name: str) -> bool:
        return self.of[name].said("was it so", "switch") is False

    def has_mains(self, name: str) -> bool:
        """Does it have mains, as far as is known? No switch above it last said that it is off."""
        return not any(self.said_off(above) for above in self.feeds.line[name])

    def powered(self, name: str) -> bool:
        """Has it what it runs on, as far as is known: its mains, or a battery of its own?"""
        return self.of[name].device.own_battery or self.has_mains(name)

    def may_be_on(self, name: str) -> bool:
        """Could this device draw from its mains? Anything but a clear no counts as yes."""
        return self.has_mains(name) and not self.said_off(name)

    def surely_on(self, name: str) -> bool:
        belief = self.of[name]
        return (
            belief.said("is it so", "switch") is True
            and not belief.gone
            and all(self.surely_on(above) for above in self.feeds.line[name][:1])
        )

    def surely_off(self, name: str) -> bool:
        """Proven off: it said so itself since it was last told, or a switch above it did."""
        return any(
            self.of[other].said("is it so", "switch") is False
            for other in (name, *self.feeds.line[name])
        )

    def surely_energised(self, name: str) -> bool:
        """Would telling it on switch nothing on: neither itself nor a switch above it?"""
        switches = [*self.feeds.line[name]]
        if "switch" in self.of[name].tells:
            switches.append(name)
        return all(self.surely_on(switch) for switch in switches)

    def told_on_unanswered(self, name: str) -> float | None:
        """When this, or a switch above it, was told something it has not answered; None if not."""
        for other in (name, *self.feeds.line[name]):
            belief = self.of[other]
            told_at = belief.told_at("switch")
            if not belief.told_on:
                continue
            said = belief.word("is it so", "switch")
            # off, said while the command may still lie unread, is not the answer to it
            life = max(1.0, self.profile.patience.reply) + belief.device.answers_in
            if said is None or (said.value is False and said.at <= told_at + life):
                return told_at
        return None

    def off_in_doubt(self, name: str) -> bool:
        """Is there no word "off" left to rely on for whoever reaches in?

        A switch that left may come back on, and what speaks has mains whatever its plug says.
        """
        for other in (name, *self.feeds.line[name]):
            belief = self.of[other]
            if belief.said("is it so", "switch") is False and not belief.gone:
                return self.against(name) is not None
        return True

    def against(self, name: str) -> str | None:
        """The switch above a device that says off, though the device has spoken since.

        One of the two is wrong, or late: whoever decides about heat takes the worse. What has a
        battery of its own may speak as it likes.
        """
        if self.of[name].device.own_battery:
            return None
        for above in self.feeds.line[name]:
            last = self.of[above].last.get("switch")
            if last is not None and last.value is False:
                belief = self.of[name]
                said = self.of[above].word("is it there", "switch")
                later = belief.spoke_at > (NEVER if said is None else said.at)
                return above if later and not belief.gone else None
        return None

    def still_drawing(self, switch: str) -> float | None:
        """Watts a switch meters above its residual though it says off; None when it does not."""
        belief = self.of[switch]
        watts = belief.word("is it there", "watts")
        said = belief.word("is it there", "switch")
        if watts is None or said is None or said.value is not False:
            return None
        # a sample of the moment it went off may still be of the load before
        if watts.at < belief.off_since + belief.device.answers_in:
            return None
        return figure(watts.value) if figure(watts.value) > belief.device.residual else None

    def metered_by(self, name: str) -> str | None:
        """The nearest plug above a device that meters, while it is surely on; None where none is.

        A plug that left or fell silent meters nothing.
        """
        for above in self.of[name].device.feeds:
            belief = self.of[above]
            if "watts" in belief.hears:
                there = self.surely_on(above) and belief.silent_since is None
                return above if there else None
        return None

    def booting_now(self, name: str, at: float) -> bool:
        """Has its mains come too short a time ago for it to do anything yet?"""
        belief = self.of[name]
        return at < belief.mains_since + belief.device.boots_in

    def booting(self, name: str) -> bool:
        """Its mains came a moment ago and it has not spoken yet."""
        belief = self.of[name]
        since = belief.mains_since
        return since != NEVER and self.now < since + 1.5 * belief.device.boots_in + 1.0
