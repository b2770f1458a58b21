"""The set itself as a Homie 5 device (`homie: yes`): its id is its name, and nobody else's.

Two devices of one id would write over each other, and a controller would take the one for the
other. So would a set that hears itself: its own word would prove itself.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.profile.findings import Findings, Part
from studiobridge.profile.model import HOMIE5, HOMIE_ROOT, NO_LOOK, OWN_NODE, Look
from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.sharing import Sharing


class OwnId(Part):
    """`homie:`, held against what else is below homie/5."""

    def __init__(self, shape: ProfileShape, findings: Findings, sharing: Sharing) -> None:
        super().__init__(shape, findings)
        self.sharing = sharing

    def shown(self, looks: Mapping[str, Look]) -> bool:
        """Does the set show itself? To be asked for after all devices."""
        for name, device in self.shape.devices.items():
            if device.speaks == HOMIE5 and (device.at or "").endswith(f"/{OWN_NODE}"):
                # whoever may ask a set may set properties of a node of this name, and no others
                what = f"the node '{OWN_NODE}' is that of a set, and '{name}' is no set"
                self.wrong(("devices", name, "at"), what, "name the node its device describes")
        if not self.shape.homie:
            return False
        own = self.shape.set
        for name, device in self.shape.devices.items():
            if device.speaks == HOMIE5 and (device.at or "").split("/")[0] == own:
                what = f"the Homie id '{own}' is that of '{name}' and of the set itself"
                todo = "give the device another id, or the set another name, or leave 'homie' out"
                self.wrong(("devices", name, "at"), what, todo)
        root = f"{HOMIE_ROOT}/{own}"
        taken = self.sharing.on(root)
        if taken is not None:
            what = f"'{taken[0]}' uses '{taken[1]}', which is below the set's own '{root}'"
            self.wrong(("devices", taken[0]), what, "give it another topic", key=True)
        for name, switch in self.shape.switches.items():
            if switch.topic.startswith(root + "/"):
                what = f"'{switch.topic}' is below the set's own '{root}'"
                self.wrong(("switches", name, "topic"), what, "give the button another topic")
        if NO_LOOK in looks:
            what = f"with 'homie: yes' a set that is in no look says '{NO_LOOK}'"
            self.wrong(("looks", NO_LOOK), what, "give this look another name", key=True)
        if not self.shape.looks:
            what = "there are no looks: a controller will find nothing to choose"
            self.doubt(("homie",), what, key=True)
        return True
