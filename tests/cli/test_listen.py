"""`listen` on a real Mosquitto: what it prints, what it may read, and that it never says a word."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from studiobridge.cli.base import Stop
from studiobridge.cli.hearing import listen
from tests.brokers import Mosquitto, needs_mosquitto, pub

pytestmark = needs_mosquitto


def start(url: str, home: Path, *args: str, **more: object) -> subprocess.Popen[str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return subprocess.Popen(  # type: ignore[call-overload, no-any-return]
        [sys.executable, "-c", "from studiobridge.cli import main; main()", "listen", *args],
        env={**clean, "HOME": str(home), "STUDIOBRIDGE_BROKER": url},
        **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, **more},
    )


def wait_for(log: Path, text: str, times: int = 1) -> str:
    """The broker's own log, once it says this."""
    end = time.monotonic() + 20
    while time.monotonic() < end:
        said = log.read_text(errors="replace") if log.exists() else ""
        if len(re.findall(text, said)) >= times:
            return said
        time.sleep(0.05)
    raise AssertionError(f"the broker never said {text}:\n{said}")


def broker(folder: Path, more: str = "") -> Mosquitto:
    """A Mosquitto that logs each packet."""
    found = Mosquitto(folder)
    found.file.write_text(
        f"listener {found.port} 127.0.0.1\nallow_anonymous true\nuser root\nlog_type all\n"
        f"set_tcp_nodelay true\n{more}"
    )
    return found


def evening(port: int) -> None:
    pub(port, "corner/plug-1/out", "1")
    pub(port, "corner/plug-1/meter", '{"now": {"power": 61.4}}')


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_it_hears_says_what_it_heard_and_never_a_word_on_the_broker(
    tmp_path: Path, protocol: str
) -> None:
    with broker(tmp_path) as real:
        log = tmp_path / "broker.log"
        pub(real.port, "corner/plug-1/out", "0", "-r")
        settings = tmp_path / "settings.yaml"
        settings.write_text(
            f'broker: {{host: 127.0.0.1, port: {real.port}, protocol: "{protocol}"}}\n'
        )
        process = start(real.url, tmp_path, "--json", "--settings", str(settings))
        wait_for(log, "Sending SUBACK to studiobridge-listen")
        evening(real.port)
        wait_for(log, r"Sending PUBLISH to studiobridge-listen.*meter")
        # the broker goes and comes back: it listens on
        real.stop()
        real.start()
        wait_for(log, "Sending SUBACK to studiobridge-listen", times=2)
        pub(real.port, "corner/plug-1/out", "0")
        said = wait_for(log, r"Sending PUBLISH to studiobridge-listen.*out", times=3)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
        said = log.read_text()
    assert process.returncode == 0, err
    assert "Traceback" not in err
    assert "the link to the broker is gone" in err
    assert "the link to the broker is back" in err
    *changes, whole = [json.loads(line) for line in out.splitlines()]
    found = [(c["topic"], c["before"], c["after"], c["kept"]) for c in changes]
    assert ("corner/plug-1/out", None, "0", True) in found
    assert ("corner/plug-1/out", "0", "1", False) in found
    (device,) = whole["whole"]["devices"]
    assert device["points"]["switch"]["hear"]["words"] == {"on": "1", "off": "0"}
    assert device["points"]["watts"]["said"] == 61.4
    # not one packet that carries a word: by the broker's own log
    assert "Received SUBSCRIBE from studiobridge-listen" in said
    assert "Received PUBLISH from studiobridge-listen" not in said
    assert not re.search(r"studiobridge-listen.*\(.*w1", said)  # nor a will


def test_a_broker_that_does_not_let_it_in_again_ends_it_with_what_was_heard(tmp_path: Path) -> None:
    with broker(tmp_path) as real:
        log = tmp_path / "broker.log"
        process = start(real.url, tmp_path)
        wait_for(log, "Sending SUBACK to studiobridge-listen")
        evening(real.port)
        wait_for(log, r"Sending PUBLISH to studiobridge-listen.*meter")
        real.stop()
        closed = real.file.read_text().replace("allow_anonymous true", "allow_anonymous false")
        real.file.write_text(closed)
        real.start()
        out, err = process.communicate(timeout=20)
    assert process.returncode == 3, err
    assert "refuses no user: Not authorized" in err
    assert re.search(r"^plug-1: plug, at corner/plug-1$", out, re.M), out


# Debian ships it with Mosquitto: the only one of its access controls that refuses to subscribe.
PLUGIN = next(iter(Path("/usr/lib").rglob("mosquitto_dynamic_security.so")), None)


@pytest.mark.skipif(PLUGIN is None, reason="needs Mosquitto's dynamic security plugin")
def test_who_may_read_only_a_part_is_told_so(tmp_path: Path) -> None:
    rights = {
        "defaultACLAccess": {"publishClientSend": True, "publishClientReceive": True},
        "roles": [
            {
                "rolename": "part",
                "acls": [{"acltype": "subscribePattern", "topic": "corner/#", "allow": True}],
            }
        ],
        "groups": [{"groupname": "visitors", "roles": [{"rolename": "part"}]}],
        "anonymousGroup": "visitors",
    }
    (tmp_path / "rights.json").write_text(json.dumps(rights))
    more = f"plugin {PLUGIN}\nplugin_opt_config_file {tmp_path}/rights.json\n"
    with broker(tmp_path, more) as real:
        process = start(real.url, tmp_path, "--for", "5 s")
        out, err = process.communicate(timeout=20)
        assert process.returncode == 1, (out, err)
        assert "lets somebody without a user read nothing of #" in err
        assert out == ""
        # and who asks for the part that may be read hears that part
        process = start(real.url, tmp_path, "--topic", "#", "--topic", "corner/#", "--for", "3 s")
        wait_for(tmp_path / "broker.log", "Sending SUBACK to studiobridge-listen", times=2)
        evening(real.port)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "the broker refuses 1 subscription" in err
    assert re.search(r"^ +[0-9.]+ s  corner/plug-1/out: 1$", out, re.M), out
    assert re.search(r"^plug-1: plug, at corner/plug-1$", out, re.M), out


def test_enter_in_a_terminal_is_a_press_and_the_screen_stays_in_80_columns(tmp_path: Path) -> None:
    with broker(tmp_path) as real:
        log = tmp_path / "broker.log"
        ours, theirs = pty.openpty()
        os.system(f"stty rows 24 cols 80 < /dev/pts/{os.ttyname(theirs).rsplit('/', 1)[1]}")
        process = start(real.url, tmp_path, stdin=theirs, stdout=theirs, stderr=theirs, text=False)
        os.close(theirs)
        wait_for(log, "Sending SUBACK to studiobridge-listen")
        pub(real.port, "corner/plug-1/out", "0")
        time.sleep(0.2)
        os.write(ours, b"on\n")
        time.sleep(0.2)
        evening(real.port)
        screen = b""
        end = time.monotonic() + 15
        while time.monotonic() < end and b"its switch" not in screen:
            screen += os.read(ours, 65536)
        process.send_signal(signal.SIGINT)
        while True:
            try:
                more = os.read(ours, 65536)
            except OSError:
                break
            screen += more
            if not more:
                break
        process.wait(10)
    assert process.returncode == 0
    # where the cursor is moved a line begins
    text = re.sub(r"(\x1b\[[0-9;?]*[A-Za-z])+", "\n", screen.decode("utf-8", "replace"))
    assert "you pressed (on), and what answered was:" in text
    assert "corner/plug-1/out: 0 → 1   plug-1: its switch" in text
    assert "seen" in text
    assert "\x1b[3" not in screen.decode("utf-8", "replace")  # no colour
    assert max(len(line) for line in re.split(r"[\r\n]+", text)) <= 80


def test_without_a_broker_it_ends_with_3_and_a_sentence(tmp_path: Path) -> None:
    process = start("mqtt://127.0.0.1:1", tmp_path)
    out, err = process.communicate(timeout=20)
    assert (process.returncode, out) == (3, "")
    assert err.startswith("mqtt://127.0.0.1:1 is not reached: Connection refused; ")


@pytest.mark.parametrize(
    ("topic", "time_", "sentence"),
    [
        ("#", "60", "'60' has no unit"),
        ("#", "nan s", "--for: 'nan s' is not a time"),
        ("a/#/b", None, "'#' stands alone, and last"),
        ("a+/b", None, "'+' stands alone between slashes"),
        ("", None, "1 to 65535 bytes"),
    ],
)
def test_nonsense_is_refused_before_anybody_is_asked(
    topic: str, time_: str | None, sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STUDIOBRIDGE_BROKER", "mqtt://127.0.0.1:1")
    with pytest.raises(Stop, match=re.escape(sentence)) as caught:
        listen(topic=[topic], for_=time_, settings=None, as_json=False)
    assert caught.value.code == 2
