"""A slow network, two phones at once, an evening by keyboard, and one by ear. One studio, in the order of the evening."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.brokers import needs_mosquitto
from tests.panel.browser import LAPTOP, PHONE, browser, needs_chromium, watched
from tests.panel.networks import Slow
from tests.panel.studio import Studio, studio, until

pytestmark = [needs_mosquitto, needs_chromium]
SET = "wheel-corner"
LONG = 60_000
ASKS = """performance.getEntriesByType('resource').filter((e) => e.name.endsWith('/ask')).length"""


class Ways:
    def __init__(self, made: Studio, opened: Any) -> None:
        self.made = made
        self.opened = opened
        self.paired: dict[str, Any] = {}

    def page(self, name: str, view: str = "", url: str = "", **more: Any) -> Any:
        """A page of its own browser, paired once under this name."""
        context = self.opened.new_context(
            **{"viewport": PHONE, "storage_state": self.paired.get(name), **more}
        )
        context.set_default_timeout(25_000)
        page = context.new_page()
        page.wrong = watched(page)
        if name not in self.paired:
            page.goto(self.made.url)
            page.fill("input[name=secret]", self.made.code())
            page.fill("input[name=name]", name)
            page.click("button.big, form button[type=submit]")
            page.wait_for_selector("#big .label", state="attached")
            self.paired[name] = context.storage_state()
        page.goto(f"{url or self.made.url}/s/{SET}{view}")
        return page

    def ready(self, page: Any) -> None:
        """Whatever the test before has left."""
        page.wait_for_selector("#headline:has-text('since')")
        self.made.room.roll("camera", False)
        state = page.evaluate(f"() => fetch('/api/sets/{SET}/state').then((r) => r.json())")[
            "state"
        ]
        if state != "ready":
            page.evaluate(
                """(wish) => fetch('/api/sets/wheel-corner/ask', {method: 'POST', headers: {
                'Content-Type': 'application/json', 'X-Studiobridge-Token':
                document.querySelector('meta[name="studiobridge-token"]').content},
                body: JSON.stringify(wish)})""",
                {"what": "up" if state == "dark" else "restore"},
            )
        self.headline(page, "ready")

    def headline(self, page: Any, text: str) -> None:
        page.wait_for_selector(f"#headline:has-text('{text}')")


@pytest.fixture(scope="module")
def ways(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ways]:
    with studio(tmp_path_factory.mktemp("ways")) as made, browser() as opened:
        yield Ways(made, opened)


# ---- two phones ------------------------------------------------------------------------------

# when this was seen first: by the page's own clock, which both share with this machine
SEEN = """([selector, text]) => new Promise((done) => {
  const look = () => { const el = document.querySelector(selector);
    if (el && el.textContent.includes(text)) { watch.disconnect(); done(Date.now()) } };
  const watch = new MutationObserver(look);
  watch.observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
  look() })"""


def begin_to_look(page: Any, selector: str, text: str) -> None:
    page.evaluate(f"(what) => {{ window.sawAt = 0; ({SEEN})(what).then((at) => {{ window.sawAt = at }}) }}", [selector, text])  # fmt: skip


def saw(page: Any) -> float:
    page.wait_for_function("() => window.sawAt > 0")
    return float(page.evaluate("() => window.sawAt"))


def test_two_phones_on_one_set(ways: Ways) -> None:
    """Both press at once; one adjusts while the other rolls; both see the same at about the same time."""
    ana, ben = ways.page("Ana"), ways.page("Ben")
    for page in (ana, ben):
        ways.headline(page, "dark")
        begin_to_look(page, "#headline", "rising")
    # both bring it up: it comes up once
    for page in (ana, ben):
        page.evaluate("() => setTimeout(() => document.querySelector('#big').click(), 0)")
    assert abs(saw(ana) - saw(ben)) < 5000
    for page in (ana, ben):
        ways.headline(page, "ready")
    runs = ana.evaluate(f"() => fetch('/api/sets/{SET}/run').then((r) => r.json())")
    assert runs["run"] == 1

    # Ana steps a light at the mark; Ben sees what and by whom
    ana.goto(f"{ways.made.url}/s/{SET}/mark#at-key")
    ana.wait_for_selector('#at-key .step[data-step="+0.1 stop"]:not([disabled])')
    begin_to_look(ana, "#at-key", "adjusted by Ana")
    begin_to_look(ben, "#drift", "key")
    ana.click('#at-key .step[data-step="+0.1 stop"]')
    assert abs(saw(ana) - saw(ben)) < 5000
    # while the camera rolls nothing is stepped, and both say so
    begin_to_look(ana, "#rolling", "ROLLING")
    begin_to_look(ben, "#rolling", "ROLLING")
    ways.made.room.roll("camera", True)
    assert abs(saw(ana) - saw(ben)) < 5000
    ana.wait_for_selector('#at-key .step[data-step="+0.1 stop"][disabled]')
    level = ways.made.room.room.devices["key"].level
    ana.evaluate("() => document.querySelector('#at-key .step').click()")
    # Ben's take is over: the light may be changed again, and was not in between
    ways.made.room.roll("camera", False)
    ana.wait_for_selector('#at-key .step[data-step="+0.1 stop"]:not([disabled])')
    assert ways.made.room.room.devices["key"].level == level

    # both put it back, and both mark the take, each otherwise: the last word is on both pages
    ana.goto(f"{ways.made.url}/s/{SET}")
    back = "#drift li .ask:has-text('put it back')"
    for page in (ana, ben):
        page.wait_for_selector(f"{back}:not([disabled])")
    ana.click(back, no_wait_after=True)
    ben.evaluate("(back) => document.querySelector('#drift li .ask')?.click()", back)
    for page in (ana, ben):
        ways.headline(page, "ready")
    for page, mark in ((ana, "good"), (ben, "again")):
        page.evaluate(
            "(mark) => document.querySelector(`#take .mark[data-key$='-${mark}']`).click()", mark
        )
    pressed = """() => [...document.querySelectorAll("#take .mark[aria-pressed=true]")].map((el) => el.dataset.key).join()"""
    until(
        lambda: ana.evaluate(pressed) == ben.evaluate(pressed) != "", "the same mark on both phones"
    )
    # who came second was told so, and that is all that went wrong
    assert [x for x in (*ana.wrong, *ben.wrong) if "(Conflict)" not in x] == []
    for page in (ana, ben):
        page.context.close()


# ---- a slow network ---------------------------------------------------------------------------


def test_a_slow_network_is_slow_and_nothing_else(ways: Ways) -> None:
    """400 ms there and back, 1 % lost, a connection torn: it is said when nothing comes, and found again."""
    slow = Slow(int(ways.made.url.rsplit(":", 1)[1]))
    page = ways.page("Ana", url=f"http://127.0.0.1:{slow.port}")
    ways.ready(page)
    page.evaluate("() => { window.neverReloaded = true }")
    # a touch is answered at once, whatever the network does
    page.evaluate(
        """() => { addEventListener('pointerdown', () => requestAnimationFrame(() => {
        window.shown = document.querySelector('#drift li .ask').matches('.pressed') })) }"""
    )
    ways.made.room.touch("key", level=90.0)
    put_back = "#drift li .ask:has-text('put it back'):not([disabled])"
    page.wait_for_selector(put_back)
    before = page.evaluate(ASKS)
    page.hover(put_back)
    page.mouse.down()
    page.wait_for_function("() => window.shown === true", timeout=5000)
    page.mouse.up()
    ways.headline(page, "ready")
    until(lambda: abs(ways.made.room.room.devices["key"].level - 64.0) < 1.0, "the key is put back")
    # it was asked once, and not again because the answer was late
    assert page.evaluate(ASKS) == before + 1
    # the way is torn: it is found again, by a few new connections and not by a storm of them
    begun = slow.begun
    slow.tear()
    until(lambda: slow.begun > begun, "a new connection")
    ways.made.room.touch("key", level=90.0)
    page.wait_for_selector(put_back)
    page.wait_for_function("() => !document.documentElement.classList.contains('lost')")
    assert slow.begun - begun <= 8
    assert page.evaluate("() => window.neverReloaded") is True
    assert page.wrong == []
    page.click(put_back)
    ways.headline(page, "ready")
    page.context.close()


# ---- by keyboard ------------------------------------------------------------------------------

FOCUS = """() => { const el = document.activeElement; const box = el.getBoundingClientRect();
  const sill = document.querySelector('.sill'); const style = getComputedStyle(el);
  const top = document.elementFromPoint(Math.min(Math.max(box.left + box.width / 2, 1), innerWidth - 2),
    Math.min(Math.max(box.top + Math.min(box.height / 2, 12), 1), innerHeight - 2));
  const seen = el === document.body || !!top && (el.contains(top) || top.contains(el)) || !!el.closest('svg');
  return { name: `${el.tagName}#${el.id}.${el.className}`, seen, // the drawing has a way of its own (test_room.py)
    outline: !!el.closest('svg') || style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) > 1,
    top: box.top, bottom: box.bottom, body: el === document.body } }"""


def tab_to(page: Any, selector: str, most: int = 90) -> None:
    """By Tab alone; where the focus is, is always seen, and not under the foot (WCAG 2.2, 2.4.7 and 2.4.11)."""
    for _ in range(most):
        page.keyboard.press("Tab")
        it = page.evaluate(FOCUS)
        if it["body"]:
            continue
        assert it["seen"] and it["outline"], it
        if page.evaluate("(which) => document.activeElement.matches(which)", selector):
            return
    raise AssertionError(f"no Tab leads to {selector}")


def test_an_evening_by_keyboard_only(ways: Ways) -> None:
    page = ways.page("Ana", viewport=LAPTOP)
    ways.ready(page)
    ways.made.room.roll("camera", True)
    page.wait_for_selector("#rolling:has-text('ROLLING')")
    ways.made.room.roll("camera", False)
    page.wait_for_selector("#take .mark")
    ways.made.room.touch("key", level=90.0)
    page.wait_for_selector("#drift li .ask:not([disabled])")
    tab_to(page, "#drift li .ask")
    assert page.evaluate("() => document.activeElement.textContent").strip() == "put it back"
    page.keyboard.press("Enter")
    ways.headline(page, "ready")
    # a lamp in the drawing, and out of its dialog again
    tab_to(page, "[data-device=key]")
    page.keyboard.press("Enter")
    page.wait_for_selector("#d[open]:not(.fresh) #d-title:has-text('key')")
    page.keyboard.press("Escape")
    page.wait_for_selector("#d:not([open])", state="attached")
    assert page.evaluate("() => document.activeElement.dataset.device") == "key"
    # at the mark: one step and back
    page.goto(f"{ways.made.url}/s/{SET}/mark#at-key")
    page.wait_for_selector('#at-key .step[data-step="+0.1 stop"]:not([disabled])')
    tab_to(page, '#at-key .step[data-step="+0.1 stop"]')
    page.keyboard.press("Enter")
    page.wait_for_selector("#at-key .ask:has-text('back as it was'):not([disabled])")
    tab_to(page, "#at-key .after .ask")
    page.keyboard.press("Enter")
    page.wait_for_selector("#standing:has-text('ready')")
    # across the room and back
    tab_to(page, "a[href$='/stand']")
    page.keyboard.press("Enter")
    page.wait_for_selector("#stand .word:has-text('READY')")
    tab_to(page, "a.back")
    page.keyboard.press("Enter")
    ways.headline(page, "ready")
    # the take before is marked, and the set taken down with a question in between
    tab_to(page, "#take .mark[data-key$='-good']")
    if page.evaluate("() => document.activeElement.getAttribute('aria-pressed')") == "false":
        page.keyboard.press("Space")
    page.wait_for_selector("#take .mark[data-key$='-good'][aria-pressed=true]")
    tab_to(page, "#big")
    page.keyboard.press("Enter")
    page.wait_for_selector("#sure:not([hidden]):not(.fresh)")
    page.keyboard.press("Escape")
    page.wait_for_selector("#sure", state="hidden")
    assert page.evaluate("() => document.activeElement.id") == "big"
    assert page.wrong == []
    page.context.close()


# ---- by ear ------------------------------------------------------------------------------------

CONTROLS = {"button", "link", "textbox", "checkbox", "slider", "DisclosureTriangle", "combobox"}
# what a screen reader is told without being asked: changes of the text of a live region
TELLS = """() => { window.told = []; const of = new Map();
  const live = (el) => el.closest('[role=status], [role=alert], [role=log], [aria-live]');
  const off = (el) => el.closest('[aria-hidden=true], [aria-live=off], [role=timer], [hidden]');
  const text = (region) => { const copy = region.cloneNode(true);
    for (const el of copy.querySelectorAll('[aria-hidden=true], [aria-live=off], [role=timer], [hidden]')) el.remove();
    return copy.textContent.replace(/\\s+/g, ' ').trim() };
  for (const el of document.querySelectorAll('[role=status], [role=alert], [aria-live]')) of.set(el, text(el));
  new MutationObserver((all) => { const changed = new Set();
    for (const { target } of all) { const el = target.nodeType === 1 ? target : target.parentElement;
      const region = el && !off(el) && live(el); if (region) changed.add(region) }
    for (const region of changed) { const now = text(region);
      if (now && now !== of.get(region) && region.checkVisibility()) told.push(`${region.id || region.className || region.tagName}: ${now}`);
      of.set(region, now) }
  }).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: ['hidden'] }) }"""


def tree(page: Any) -> list[dict[str, Any]]:
    """Chromium's own accessibility tree: what a screen reader is given."""
    session = page.context.new_cdp_session(page)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    session.detach()
    return [
        {
            "role": node.get("role", {}).get("value"),
            "name": (node.get("name", {}).get("value") or "").strip(),
            **{p["name"]: p["value"].get("value") for p in node.get("properties", ())},
        }
        for node in nodes
        if not node.get("ignored")
    ]


def nameless(nodes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [n for n in nodes if n["role"] in CONTROLS and not n["name"]]


def told(page: Any) -> list[str]:
    """What was told since the last call."""
    return list(page.evaluate("() => told.splice(0)"))


def test_an_evening_by_ear(ways: Ways) -> None:
    """Each control has a name and its state; what changes is told once, and nothing else is."""
    page, stand, mark = ways.page("Ana"), ways.page("Ben", "/stand"), ways.page("Ana", "/mark")
    pages = {"hand": page, "stand": stand, "mark": mark}
    ways.ready(page)
    stand.wait_for_selector("#stand .word:has-text('READY')")
    mark.wait_for_selector("#standing:has-text('ready')")
    for one in pages.values():
        one.evaluate(TELLS)
        assert nameless(tree(one)) == []
    buttons = [n for n in tree(page) if n["role"] == "button"]
    assert not next(n for n in buttons if "down" in n["name"]).get("disabled", False), buttons
    looks = [n for n in buttons if "pressed" in n]
    assert any(n["pressed"] == "true" for n in looks)

    # ready and nothing happens: nothing is said, though times count
    page.wait_for_timeout(4000)
    assert {name: told(one) for name, one in pages.items()} == {"hand": [], "stand": [], "mark": []}

    # moved: the state's word with the lamp, once
    ways.made.room.touch("key", level=90.0)
    page.wait_for_selector("#drift li")
    stand.wait_for_selector("#stand .word:has-text('ADRIFT')")
    page.wait_for_timeout(700)
    heard = told(page)
    assert any("key" in text for text in heard), heard
    assert len(heard) <= 3, heard
    assert 1 <= len(told(stand)) <= 3

    # rolling: told at once; what is held is told as such; a clock that runs is not read out
    ways.made.room.roll("camera", True)
    page.wait_for_selector("#rolling:has-text('ROLLING')")
    stand.wait_for_selector("#stand .word:has-text('ROLLING')")
    page.wait_for_timeout(4500)
    heard, across = told(page), told(stand)
    assert any("ROLLING" in text for text in heard), heard
    assert any("ROLLING" in text for text in across), across
    assert len(heard) <= 4, heard
    assert len(across) <= 3, across
    put_back = next(n for n in tree(page) if n["name"].startswith("put it back"))
    assert put_back["disabled"] is True
    ways.made.room.roll("camera", False)
    page.wait_for_selector("#drift li .ask:has-text('put it back'):not([disabled])")
    page.wait_for_timeout(1500)  # it closes its file: until then this is refused
    page.click("#drift li .ask:has-text('put it back')")
    ways.headline(page, "ready")
    page.wait_for_timeout(700)
    assert any("ready" in text for text in told(page))

    # arming: the question itself has the focus, with its words
    page.keyboard.press("Tab")
    page.focus("#big")
    page.keyboard.press("Enter")
    page.wait_for_selector("#sure:not([hidden])")
    focused = next(n for n in tree(page) if n.get("focused") and n["role"] != "RootWebArea")
    assert (focused["role"], "Take the set down?" in focused["name"]) == ("alertdialog", True)
    page.wait_for_selector("#sure:not(.fresh)")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    ways.headline(page, "lowering")
    ways.headline(page, "dark")
    heard = told(page)
    assert any("dark" in text for text in heard), heard
    # a whole taking down: the answer, the word, and no second of its counting
    assert len(heard) <= 8, heard
    for one in pages.values():
        assert one.wrong == []
        one.context.close()
