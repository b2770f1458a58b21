"""The topics of the request channel: all that a set says of itself is below its own root.

Names of sets and devices have been checked by the profile: no slash, wildcard or control
character can reach a topic from here.
"""

from __future__ import annotations

ROOT = "studiobridge"
# The longest topic (bytes) that an answer is sent to because a request asks for it.
LONGEST_ROUTE = 512


def answered_at(asked: str | None, answers: str) -> str:
    """Where an answer goes: only at or below the topic of answers, else nobody could be sure that
    it is never a command to some device; and only where one can publish to."""
    if (
        asked is None
        or not asked.startswith(answers + "/")
        or len(asked.encode()) > LONGEST_ROUTE
        or not asked.isprintable()
        or "+" in asked
        or "#" in asked
    ):
        return answers
    return asked


def ask_topic(set_name: str) -> str:
    """Where requests come in."""
    return f"{ROOT}/{set_name}/ask"


def answer_topic(set_name: str) -> str:
    """Where answers go when a request named no response topic."""
    return f"{ROOT}/{set_name}/answer"


def alive_topic(set_name: str) -> str:
    """Retained: which bridge runs the set, with a last will that says none does."""
    return f"{ROOT}/{set_name}/alive"


def beat_topic(set_name: str) -> str:
    """Retained, without a will: the heartbeat of the bridge that runs the set."""
    return f"{ROOT}/{set_name}/beat"


def cut_topic(set_name: str) -> str:
    """Where the emergency request comes in: a lane of its own, past whatever floods the other."""
    return f"{ROOT}/{set_name}/cut"


def state_topic(set_name: str) -> str:
    """Retained: the state of the set."""
    return f"{ROOT}/{set_name}/state"


def run_topic(set_name: str) -> str:
    """Retained: the steps of the latest run-up, run-down or restore."""
    return f"{ROOT}/{set_name}/run"


def drift_topic(set_name: str) -> str:
    """Retained: the list of open drift entries."""
    return f"{ROOT}/{set_name}/drift"


def says_topic(set_name: str) -> str:
    """Not retained: what happens to the set, once, for whoever wants to hook onto it."""
    return f"{ROOT}/{set_name}/says"


def device_topic(set_name: str, device: str) -> str:
    """Retained: what is known of one device."""
    return f"{ROOT}/{set_name}/devices/{device}"


def witness_alive_topic(set_name: str) -> str:
    """Retained, with a last will: does somebody look at the camera's picture, and how goes it."""
    return f"{ROOT}/{set_name}/witness/alive"


def seen_topic(set_name: str) -> str:
    """Not retained: what the camera's picture shows, each time it was looked at."""
    return f"{ROOT}/{set_name}/witness/seen"


def witness_ask_topic(set_name: str) -> str:
    """Where the witness is asked for a picture, or to look now."""
    return f"{ROOT}/{set_name}/witness/ask"


def witness_answer_topic(set_name: str) -> str:
    """Its answers, pictures among them: nothing of it is retained."""
    return f"{ROOT}/{set_name}/witness/answer"
