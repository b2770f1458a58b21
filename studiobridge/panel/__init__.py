"""The page for phone and tablet: the switch, the room as it stands, and what puts it right.

What lives here: a small web server that visits a set over MQTT like any other visitor, and the
page it serves. It asks over the request channel and can do nothing that channel does not
allow, so that a fault here cannot hurt a set. What may never come in: a second way to the gear,
anything fetched from elsewhere, a build step. Imports every room but rehearsal and cli.
"""
