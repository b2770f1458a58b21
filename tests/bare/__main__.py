"""Install on a bare machine, and live there: see tests/bare-machine."""

from __future__ import annotations

import argparse
import contextlib
import http.cookiejar
import json
import random
import re
import shutil
import signal
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from tests import first_day
from tests.bare.gear import DEVICES, PROFILE, SET, Client, Gear, Watch
from tests.bare.machine import CannotRun, Machine, can_run, free_port, make_base

HERE = Path(__file__).parents[2]
CANNOT, LATE = 77, 124
SERVICES = ("studiobridge-broker", "studiobridge", "studiobridge-panel")
# what the sandbox of each service may score at most, of 10 (systemd-analyze security)
EXPOSED = 2.0
# what an installed machine consists of, besides what Debian put there
OURS = "/opt/studiobridge /etc/studiobridge /var/lib/studiobridge-broker /etc/systemd/system/studiobridge* /usr/local/bin/studiobridge"
CHECKOUT = ("studiobridge", "deploy", "config", "pyproject.toml", "README.md", "LICENSE")
INSTALL = "/root/studiobridge/deploy/install"


class TooLate(Exception):
    """The time for all of it is over."""


def eventually(what: str, true: Callable[[], Any], within: float = 30.0) -> Any:
    end = time.monotonic() + within
    while True:
        found = true()
        if found:
            return found
        assert time.monotonic() < end, f"not within {within:.0f} s: {what}"
        time.sleep(0.2)


class Story:
    """What happens on one machine; each part is timed, and says what it found."""

    def __init__(self, machine: Machine, seed: int) -> None:
        self.machine = machine
        self.dice = random.Random(seed)
        self.broker_port, self.page_port = free_port(), free_port()
        self.options = f"--broker-port {self.broker_port} --page-port {self.page_port}"
        self.users = " ".join(f"{name}={topic}" for name, topic in DEVICES.items())
        self.authority = machine.root / "etc/studiobridge/ca.crt"
        self.cookies = http.cookiejar.CookieJar()
        self.gear: list[Gear] = []

    # ---- helpers -----------------------------------------------------------------------------

    def install(
        self, more: str = "", code: int = 0, within: float = 400.0, script: str = INSTALL
    ) -> str:
        got, said = self.machine.run(f"{script} {more}", within)
        assert got == code, f"install {more} ended with {got}, not {code}:\n{said[-3000:]}"
        return said

    def active(self, service: str) -> bool:
        return self.machine.run(f"systemctl is-active {service}")[1].strip() == "active"

    def pids(self) -> dict[str, str]:
        return {
            service: self.machine.must(f"systemctl show -p MainPID --value {service}").strip()
            for service in SERVICES
        }

    def files(self) -> str:
        """Every file of the installed machine with its time, but what the broker keeps and Python caches."""
        return self.machine.must(
            f"find {OURS} -not -path '*/versions/*' -not -name mosquitto.db -type f -printf '%p %m %u %s %T@\\n' | sort"
        )

    def password(self, user: str) -> str:
        return self.machine.read(f"/var/lib/studiobridge-broker/{user}.password").strip()

    def client(self, user: str, password: str | None = None) -> Client:
        return Client(self.broker_port, self.authority, user, password or self.password(user))

    def watch(self) -> Watch:
        return Watch(self.broker_port, self.authority, self.password("bridge"))

    def page(self, path: str, **more: Any) -> tuple[int, str]:
        """The page over TLS, its certificate held against the machine's own authority."""
        trust = ssl.create_default_context(cafile=self.authority)
        opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPSHandler(context=trust),
            urllib.request.HTTPCookieProcessor(self.cookies),
        )
        asked = urllib.request.Request(f"https://127.0.0.1:{self.page_port}{path}", **more)
        if not path.startswith("/api"):
            asked.add_header("accept", "text/html")
        try:
            with opener.open(asked, timeout=15) as reply:
                return reply.status, reply.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode()
        except (urllib.error.URLError, ConnectionError) as error:
            if "CERTIFICATE" in str(error):
                raise AssertionError(f"the page's certificate: {error}") from None
            return 0, str(error)  # it starts again just now

    def state(self) -> str:
        code, said = self.page(f"/api/sets/{SET}/state")
        return str(json.loads(said)["state"]) if code == 200 else f"{code}: {said[:100]}"

    def ask(self, what: str) -> None:
        _, said = self.page("/api/session")
        sent = json.dumps({"what": what}).encode()
        headers = {
            "content-type": "application/json",
            "x-studiobridge-token": json.loads(said)["token"],
        }
        code, said = self.page(f"/api/sets/{SET}/ask", data=sent, headers=headers)
        assert code == 200, said

    # ---- parts -------------------------------------------------------------------------------

    def an_empty_machine(self) -> None:
        code, said = self.machine.run(f"{INSTALL} --check")
        assert code == 1 and "not installed" in said, said
        before = self.machine.must("find /etc /opt /usr/local /var/lib -type f | sort | md5sum")
        said = self.install(f"{self.options} --dry-run {self.users}")
        assert "would: the settings" in said, said
        assert (
            self.machine.must("find /etc /opt /usr/local /var/lib -type f | sort | md5sum")
            == before
        )
        self.machine.must("cp /etc/debian_version /root/dv; echo 11.9 > /etc/debian_version")
        said = self.install(code=2)
        assert "Debian 12 and 13" in said, said
        self.machine.must("cp /root/dv /etc/debian_version")

    def interrupted(self, times: int) -> None:
        """Killed at any point, with all it started or alone: the next one goes on from there."""
        for _ in range(times):
            after = self.dice.choice([self.dice.uniform(0.2, 3), self.dice.uniform(3, 14)])
            whole = self.dice.random() < 0.5
            killed = f"kill -9 {'-- -' if whole else ''}$(cat /run/install.pid)"
            _, said = self.machine.run(
                f"setsid bash -c 'echo $$ >/run/install.pid; exec {INSTALL} {self.options} {self.users}'"
                f" >/root/interrupted.log 2>&1 & sleep {after:.2f}; {killed}; wait; tail -1 /root/interrupted.log",
                120,
            )
            # a quick machine was done before the kill: that was no interruption
            if "No such process" in said:
                self.install("--remove")
            print(
                f"    killed{' with all it started' if whole else ''} after {after:.1f} s, at: {said.strip()[-90:]}"
            )

    def installed(self) -> None:
        said = self.install(f"{self.options} {self.users}")
        for service in SERVICES:
            assert self.active(service), service
        assert "█" in said and "/pair#" not in said, "no drawing for the phone"
        fingerprint = re.search(r"((?:[0-9A-F]{2}:){31}[0-9A-F]{2})", said)
        assert fingerprint is not None, said
        shown = subprocess.run(
            ["openssl", "x509", "-in", str(self.authority), "-noout", "-fingerprint", "-sha256"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert shown.stdout.strip().endswith(fingerprint[1])
        assert "no set is described yet" in said, said
        code = re.search(r"\b([A-Z2-9]{4}-[A-Z2-9]{4})\b", said)
        assert code is not None
        self.code = code[1]
        assert self.machine.run("ss -ltn 2>/dev/null || cat /proc/net/tcp")[0] == 0
        assert not self.active("mosquitto"), "Debian's own broker runs as well"

    def unread_by_others(self) -> None:
        """What a user of the machine who is not in the group can read, and what one in it can do."""
        self.machine.must("id guest || useradd guest; id member || useradd -G studiobridge member")
        found = self.machine.must(
            "su guest -s /bin/sh -c 'find /etc/studiobridge /var/lib/studiobridge* -readable -type f 2>/dev/null || true'"
        )
        assert found.strip() == "", found
        code, said = self.machine.run("su guest -s /bin/sh -c 'studiobridge status'")
        assert code != 0 and "group studiobridge" in said, said
        assert self.machine.run("su guest -s /bin/sh -c 'studiobridge --help'")[0] == 0
        code, said = self.machine.run("su member -s /bin/sh -c 'studiobridge status'")
        assert "no set is described yet" in said, said
        assert (
            self.machine.run("su member -s /bin/sh -c 'cat /etc/studiobridge/bridge.password'")[0]
            != 0
        )

    def tight(self) -> None:
        for service in SERVICES:
            said = self.machine.must(f"systemd-analyze security --no-pager {service}.service")
            found = re.search(r"exposure level for .*: ([\d.]+)", said)
            assert found is not None and float(found[1]) < EXPOSED, said[-300:]
            print(f"    {service}: {found[1]}")

    def paired(self) -> None:
        code, said = self.page("/")
        assert code == 200 and "Who are you?" in said, said
        sent = urllib.parse.urlencode({"secret": self.code, "name": "bare"}).encode()
        code, said = self.page("/pair", data=sent)
        assert code == 200 and "No set is described yet" in said, said
        assert all(cookie.secure for cookie in self.cookies)
        untrusting = ssl.create_default_context()
        try:
            urllib.request.urlopen(
                f"https://127.0.0.1:{self.page_port}/", timeout=5, context=untrusting
            )
        except urllib.error.URLError as error:
            assert "CERTIFICATE_VERIFY_FAILED" in str(error)
        else:
            raise AssertionError("the page is trusted by those who know nothing of it")

    def first_day(self) -> None:
        """Gear nobody described: heard, met, drafted, tried, up and down, by the README's commands."""
        before = self.install("--check")
        context = ssl.create_default_context(cafile=self.authority)

        def admitted(client: mqtt.Client, _: str) -> None:
            client.username_pw_set("gear", self.password("gear"))
            client.tls_set_context(context)

        def up() -> None:
            eventually(
                "the bridge runs the set", lambda: self.machine.run("studiobridge status")[0] != 3
            )

        here = first_day.Here(
            self.machine.run, self.machine.talk,
            lambda name, text: self.machine.put(f"/root/{name}", text),
            lambda name: self.machine.read(f"/root/{name}"),
        )  # fmt: skip
        drafted = "/var/lib/studiobridge/profiles/corner.yaml"
        with first_day.gear("localhost", self.broker_port, admitted) as room:
            room.press("box", True)
            time.sleep(2.0)
            first_day.play(here, room, drafted, up)
        # what follows is another set's life
        self.machine.must(
            f"mv {drafted} /root/; rm /root/met.yaml; systemctl restart studiobridge studiobridge-panel"
        )
        assert "Nothing is wrong" in before

    def described(self) -> None:
        """A profile appears in its folder: bridge and page take it up by themselves."""
        before = self.pids()
        self.machine.put(f"/root/{SET}.yaml", PROFILE)
        self.machine.must(
            f"install -o studiobridge -g studiobridge -m 660 /root/{SET}.yaml /var/lib/studiobridge/profiles/"
        )
        eventually("the page has the set", lambda: self.page(f"/s/{SET}")[0] == 200)
        eventually("the bridge runs the set", lambda: self.page("/health")[0] == 200)
        self.machine.must("systemctl reload studiobridge")
        assert self.pids() == before, "taken up by a restart"

    def devices(self) -> None:
        """Each device joins with its own user, and can say nothing in another's name."""
        self.gear = [
            Gear(self.broker_port, self.authority, name, self.password(name)) for name in DEVICES
        ]
        with self.watch() as watch:
            for one in self.gear:
                one.join()
                assert one.up(), f"{one.user} is not let in: {one.refused}"
            plug = self.gear[0]
            before = len(plug.acknowledged)
            plug.client.publish("corner/light/in", "100", 1)
            eventually("an answer of the broker", lambda: len(plug.acknowledged) > before)
            time.sleep(0.5)
            assert watch.told == [], f"a plug told the light: {watch.told}"
            plug.client.publish("corner/plug/in", "0", 1)
            eventually("its own topic is its own", lambda: watch.told)
        wrong = self.client("bench-plug", "guessed").start()
        eventually("a wrong password is refused", lambda: wrong.refused)
        wrong.stop()

    def up(self) -> None:
        """A request over the page lights the set."""
        eventually("the set is dark", lambda: self.state() == "dark")
        self.ask("up")
        eventually("the set is ready", lambda: self.state() == "ready")
        assert [one.value for one in self.gear] == ["1", "60"], [one.value for one in self.gear]
        assert SET in self.machine.must(
            f"su member -s /bin/sh -c 'studiobridge status --set {SET} --json'"
        )

    def killed(self) -> None:
        for service in reversed(SERVICES):
            before = self.pids()[service]
            self.machine.must(f"kill -9 {before}")
            eventually(
                f"{service} is back",
                lambda s=service, b=before: self.active(s) and self.pids()[s] not in ("0", b),
            )
        eventually("all is well again", lambda: self.page("/health")[0] == 200)

    def rebooted(self) -> None:
        """With the set up: everything comes back, and nothing is told to come on."""
        assert [one.value for one in self.gear] == ["1", "60"]
        was = self.pids()
        self.machine.reboot()
        with self.watch() as watch:
            eventually("bridge and page are back", lambda: self.page("/health")[0] == 200, 60)
            assert self.pids() != was
            eventually("the bridge knows the set", lambda: self.state() not in ("unheard", ""))
            time.sleep(4)
            assert watch.energised() == [], watch.told
            print(
                f"    after the reboot: {self.state()}, told: {[(t.topic, t.value) for t in watch.told]}"
            )
        assert [one.value for one in self.gear] == ["1", "60"]

    def again(self) -> None:
        before, ran = self.files(), self.pids()
        said = self.install(f"{self.options} {self.users}")
        assert "Nothing to do" in said, said
        assert self.files() == before and self.pids() == ran

    def one_more(self) -> None:
        """A device and a name more: the others keep theirs, and nobody is thrown out."""
        ran, old = self.pids(), self.password("bench-plug")
        said = self.install("--name studio.example sieve-fan=corner/fan")
        assert self.password("bench-plug") == old
        one = self.client("sieve-fan").start()
        assert one.up(), f"the new device is not let in: {one.refused}"
        one.stop()
        assert self.pids()["studiobridge-broker"] == ran["studiobridge-broker"], said
        shown = self.machine.must(
            "openssl x509 -in /etc/studiobridge/page.crt -noout -ext subjectAltName"
        )
        assert "DNS:studio.example" in shown, shown
        assert "Nothing to do" in self.install()

    def faults(self) -> None:
        """--check sees what is wrong, and touches nothing."""
        assert "Nothing is wrong" in self.install("--check")
        certificate = "/etc/studiobridge/page"
        short = (
            f"cp -a {certificate}.crt /root/kept.crt; openssl req -new -key {certificate}.key -subj /CN=x -out /root/x.csr;"
            " openssl x509 -req -in /root/x.csr -CA /etc/studiobridge/ca.crt -CAkey /etc/studiobridge/ca.key"
            f" -set_serial 7 -days 5 -out {certificate}.crt"
        )
        planted = [
            (short, "the page's certificate: it ends", f"cp -a /root/kept.crt {certificate}.crt"),
            ("chmod o+r /etc/studiobridge/operator.password", "anybody on this machine can read", "chmod o= /etc/studiobridge/operator.password"),
            (f"chown root /var/lib/studiobridge/profiles/{SET}.yaml", "is not the bridge's", f"chown studiobridge /var/lib/studiobridge/profiles/{SET}.yaml"),
            ("systemctl stop studiobridge", "studiobridge does not run", "systemctl start studiobridge"),
            ("systemctl stop studiobridge-broker", "the broker at mqtts://operator@localhost", "systemctl start studiobridge-broker"),
            ("cp -a /etc/studiobridge/settings.yaml /root/s; echo 'sets: 3' >> /etc/studiobridge/settings.yaml; systemctl restart studiobridge; sleep 3",
             "studiobridge has failed. Its last words: .*unknown key 'sets'", "cp -a /root/s /etc/studiobridge/settings.yaml; systemctl restart studiobridge"),
        ]  # fmt: skip
        for plant, sentence, mend in planted:
            self.machine.must(plant)
            before = self.files()
            said = self.install("--check", code=1)
            assert re.search(f"WRONG: .*{sentence}", said), said
            assert self.files() == before, f"--check changed something when {sentence}"
            self.machine.must(mend)
        eventually("all is well again", lambda: self.machine.run(f"{INSTALL} --check")[0] == 0, 40)

    def not_in_a_run(self, wheels: list[Path]) -> None:
        """An upgrade while the set comes up waits, and touches nothing."""
        eventually("the bridge knows the set", lambda: self.state() not in ("unheard", ""))
        self.ask("down")
        eventually("the set is dark", lambda: self.state() == "dark", 60)
        self.ask("up")
        ran = self.pids()
        said = self.install(f"--wheel /root/{wheels[1].name}", code=1)
        assert f"{SET} is rising" in said, said
        assert self.pids() == ran
        eventually("the set is ready", lambda: self.state() == "ready")

    def upgraded(self, wheels: list[Path]) -> None:
        """From the version before to this: settings, passwords, profile and record stay; nothing comes on."""
        self.install(f"--wheel /root/{wheels[0].name} --now")
        assert wheels[0].name.split("-")[1] in self.install("--check")
        eventually("the page is back", lambda: self.page("/health")[0] == 200)
        kept = "/etc/studiobridge/*.password /etc/studiobridge/settings.yaml /etc/studiobridge/ca.crt /var/lib/studiobridge/profiles/*"
        before = self.machine.must(f"md5sum {kept}")
        broker = self.pids()["studiobridge-broker"]
        with self.watch() as watch:
            said = self.install(f"--wheel /root/{wheels[1].name} --now")
            eventually("the page is back", lambda: self.page("/health")[0] == 200)
            assert watch.energised() == []
        assert wheels[1].name.split("-")[1] in said, said
        assert self.machine.must(f"md5sum {kept}") == before
        assert self.pids()["studiobridge-broker"] == broker
        assert "Nothing to do" in self.install(f"--wheel /root/{wheels[1].name}")
        assert self.machine.must("ls /opt/studiobridge/versions | wc -l").strip() == "1"
        record = self.machine.must(f"studiobridge record --set {SET} --json")
        assert len(json.loads(record)) >= 1, record

    def by_hand(self) -> None:
        """Somebody's own line in the broker's settings is not written over."""
        self.machine.must("echo '# mine' >> /var/lib/studiobridge-broker/mosquitto.conf")
        # by the copy that was left on the machine: it takes the program as it is
        left = "/opt/studiobridge/deploy/install"
        assert "stays as it is" in self.install(script=left)
        said = self.install("glaze-fan=corner/fan2", code=1, script=left)
        assert "changed by hand" in said, said
        self.machine.must("sed -i '/^# mine/d' /var/lib/studiobridge-broker/mosquitto.conf")

    def removed(self) -> None:
        for one in self.gear:
            one.stop()
        said = self.install("--remove --now")
        _, left = self.machine.run(f"ls -d {OURS} 2>/dev/null")
        assert left.strip() == "", left
        for service in (*SERVICES, "studiobridge-renew.timer"):
            assert not self.active(service), service
        assert self.machine.run("id studiobridge")[0] != 0
        found = self.machine.must("find /var/lib/studiobridge -type f -printf '%P %m %u\\n'")
        assert f"profiles/{SET}.yaml" in found and f"{SET}.sqlite" in found, found
        assert "panel-keys" not in found
        assert self.machine.must("stat -c '%a %U' /var/lib/studiobridge").strip() == "700 root"
        assert "/var/lib/studiobridge" in said, said
        assert "Nothing to do" in self.install("--remove")

    def back(self) -> None:
        """Installed anew over what was left: profile and record are the set's again."""
        self.install(f"{self.options} {self.users}")
        record = eventually(
            "the record",
            lambda: json.loads(
                self.machine.run(f"studiobridge record --set {SET} --json")[1] or "[]"
            ),
        )
        assert len(record) >= 1


# ---- what is played ------------------------------------------------------------------------------


def story(told: Story, part: Callable[[str], Any], short: bool, wheels: list[Path]) -> None:
    """One machine's life from the first command to the last."""
    if not short:
        with part("an empty machine"):
            told.an_empty_machine()
        with part("install, interrupted"):
            told.interrupted(6)
    with part("install"):
        told.installed()
    with part("who can read what"):
        told.unread_by_others()
    with part("sandboxes"):
        told.tight()
    with part("the page, and no set yet"):
        told.paired()
    with part("the first day"):
        told.first_day()
    with part("a profile appears"):
        told.described()
    with part("devices join"):
        told.devices()
    with part("up, over the page"):
        told.up()
    with part("each service killed"):
        told.killed()
    with part("reboot with the set up"):
        told.rebooted()
    with part("install again"):
        told.again()
    if not short:
        with part("one more device, one more name"):
            told.one_more()
        with part("--check and planted faults"):
            told.faults()
        with part("no upgrade in the middle of a run"):
            told.not_in_a_run(wheels)
        with part("upgrade"):
            told.upgraded(wheels)
        with part("a broker changed by hand"):
            told.by_hand()
    with part("remove"):
        told.removed()
    if not short:
        with part("install over what was left"):
            told.back()


def make_wheels(folder: Path) -> list[Path]:
    """This version and one above it."""
    found = []
    for number in ("", "99.0.0"):
        tree = folder / f"tree{number}"
        copy_checkout(tree)
        if number:
            project = tree / "pyproject.toml"
            project.write_text(
                re.sub(
                    r'(?m)^version = ".*"', f'version = "{number}"', project.read_text(), count=1
                )
            )
            package = tree / "studiobridge/__init__.py"
            package.write_text(
                re.sub(r'__version__ = ".*"', f'__version__ = "{number}"', package.read_text())
            )
        out = folder / f"wheel{number}"
        subprocess.run(
            [
                sys.executable,
                "-m",
                "pip",
                "wheel",
                "--quiet",
                "--no-deps",
                "-w",
                str(out),
                str(tree),
            ],
            check=True,
        )
        found.append(next(out.glob("*.whl")))
    return found


def copy_checkout(there: Path) -> None:
    there.mkdir(parents=True)
    for name in CHECKOUT:
        if (HERE / name).is_dir():
            shutil.copytree(HERE / name, there / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(HERE / name, there / name)


def main() -> int:
    asked = argparse.ArgumentParser(
        prog="tests/bare-machine",
        description="Install on a bare Debian, booted in a container, and live there. Takes root, debootstrap and"
        f" systemd-nspawn; ends with {CANNOT} and a sentence where it cannot run.",
    )
    asked.add_argument(
        "--short", action="store_true", help="install, services, page, device, reboot, remove"
    )
    asked.add_argument(
        "--base", type=Path, help="keep the bare Debian in this folder for the next time"
    )
    asked.add_argument("--suite", default="bookworm", choices=("bookworm", "trixie"))
    asked.add_argument(
        "--limit", type=int, default=2400, help="give up after so many seconds (%(default)s)"
    )
    asked.add_argument(
        "--seed", type=int, default=int(time.time()), help="when installs are killed"
    )
    options = asked.parse_args()

    def late(*_: object) -> None:
        raise TooLate

    began = time.monotonic()
    took: list[tuple[str, float]] = []

    @contextlib.contextmanager
    def part(name: str) -> Iterator[None]:
        print(f"· {name} ...", flush=True)
        since = time.monotonic()
        try:
            yield
        finally:
            took.append((name, time.monotonic() - since))
        print(f"  {time.monotonic() - since:6.1f} s", flush=True)

    signal.signal(signal.SIGALRM, late)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    signal.alarm(options.limit)
    code = 1
    with contextlib.ExitStack() as ending:
        work = Path(
            ending.enter_context(tempfile.TemporaryDirectory(prefix="studiobridge-bare-work-"))
        )
        try:
            can_run()
            with part("the bare Debian"):
                base = make_base(options.base or work / "base", options.suite)
            wheels: list[Path] = []
            if not options.short:
                with part("two wheels"):
                    wheels = make_wheels(work)
            machine = ending.enter_context(Machine(base))
            copy_checkout(machine.root / "root/studiobridge")
            for wheel in wheels:
                shutil.copy(wheel, machine.root / "root" / wheel.name)
            with part("boot"):
                machine.boot()
            if not options.short:
                print(f"  installs are killed by seed {options.seed}")
            story(Story(machine, options.seed), part, options.short, wheels)
            code = 0
        except CannotRun as error:
            print(f"the bare machine was left out: {error}", file=sys.stderr)
            code = CANNOT
        except (AssertionError, subprocess.SubprocessError) as error:
            print(f"\nWRONG, in '{took[-1][0]}': {error}", file=sys.stderr)
        except TooLate:
            print(f"\ngiven up after {options.limit} s, in '{took[-1][0]}'", file=sys.stderr)
            code = LATE
        finally:
            signal.alarm(0)
            # cleaning up is not to be interrupted half way
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if code == 0:
        print(f"all of it in {time.monotonic() - began:.0f} s")
    return code


if __name__ == "__main__":
    sys.exit(main())
