"""What a set, a device, a circuit may be called: one rule, read also where no profile is."""

import re

NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?\Z")
