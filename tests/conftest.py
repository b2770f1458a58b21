"""No test here fails because the machine is slow: speed is measured in tests/bench, as a ratio."""

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
