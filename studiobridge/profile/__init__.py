"""The set profile: one YAML file that describes a set, read with line and column, and kept.

What lives here: quantities, the shape of the file, the resolved model that every other room
uses, and writing one value back. What may never come in: topics on a wire, time, the network.
May import craft. Reads and writes one file.
"""

from studiobridge.profile.build import Reading, read_profile, read_profile_text
from studiobridge.profile.keep import keep_presets
from studiobridge.profile.shape import profile_schema
from studiobridge.profile.text import Problem, ProfileError

__all__ = [
    "Problem",
    "ProfileError",
    "Reading",
    "keep_presets",
    "profile_schema",
    "read_profile",
    "read_profile_text",
]
