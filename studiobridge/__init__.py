"""studiobridge: one switch for a small lit set, and everything behind it.

The rooms, from the file on disk to the gear and back:
profile -> control -> speech -> bridge -> MQTT broker -> devices. See DEVELOPERS.md.
"""

__version__ = "0.1.0"
