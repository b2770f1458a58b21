"""No test here fails because the machine is slow: speed is measured in tests/bench, as a ratio."""

from hypothesis import settings

# fifty examples a run, others each time; the long search is tests/fuzz/guided.py
settings.register_profile("unhurried", deadline=None, max_examples=50)
settings.load_profile("unhurried")
