"""The camera's picture on the page: asked for, never kept, never older than it looks; and lights
seen before they are set. In a real browser, over a panel that is told what it hears."""

from __future__ import annotations

import copy
import re
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import pytest

from studiobridge.panel import pictured
from studiobridge.profile.said import Answer
from tests.panel import witnessed
from tests.panel.browser import PHONE, come_in, findings, needs_chromium, watched
from tests.panel.served import Served, served
from tests.panel.studio import until

pytestmark = needs_chromium
LONG = 10_000
NAME = witnessed.PROFILE.name
LYING = {"width": 740, "height": 360}


@dataclass
class Scene:
    made: Served
    page: Any
    browser: Any
    ready: dict[str, Any]
    wrong: list[str] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"{self.made.url}/s/{NAME}"

    def hears(self, seen: Any = "as kept", witness: Any = "looking", **more: Any) -> None:
        """The set is ready; what the picture shows, and how the witness goes."""
        found = copy.deepcopy({**self.ready, **more})
        if seen == "as kept":
            seen = witnessed.of_bridge(witnessed.sighting())
        found["state"]["picture_seen"] = seen
        self.made.heard.witness = (
            {**witnessed.ALIVE, "what": witness} if isinstance(witness, str) else witness
        )
        self.made.say(**found)

    def sees(self, how: Callable[[str, str | None, Mapping[str, Any]], Answer] | None) -> None:
        self.made.heard.sees = how
        self.made.heard.seen.clear()

    @property
    def asked(self) -> list[str]:
        return [what for what, _, _ in self.made.heard.seen]


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory, opened: Any) -> Iterator[Scene]:
    with served(tmp_path_factory.mktemp("picture"), witnessed.PROFILE) as made:
        page = opened.new_context(
            viewport=PHONE, locale="en-GB", reduced_motion="reduce"
        ).new_page()
        wrong = watched(page)
        found = Scene(made, page, opened, witnessed.ready(), wrong)
        found.hears()
        come_in(page, made.url, made.code())
        yield found
        assert [text for text in wrong if "status of 4" not in text and "of 5" not in text] == []


@pytest.fixture(autouse=True)
def _working(scene: Scene) -> None:
    scene.sees(witnessed.sees)
    scene.hears()
    scene.page.set_viewport_size(PHONE)
    scene.page.mouse.move(1, 1)  # over no button: what is under a mouse is shown
    scene.made.server.panel.house.limits.storage.reset()


def opens(scene: Scene) -> None:
    scene.page.goto(f"{scene.url}/picture")
    scene.page.wait_for_function(
        "() => document.querySelector('#still img')?.naturalWidth > 0", timeout=LONG
    )


def alone(detail: dict[str, Any]) -> Callable[..., Answer]:
    return lambda what, look, lights: Answer("x", True, 0, "", detail)


def test_a_still_is_shown_with_its_lines_outlines_and_sentences(scene: Scene) -> None:
    scene.hears(witnessed.of_bridge(witnessed.moved(), False, differs=witnessed.DIFFERS))
    opens(scene)
    page = scene.page
    assert page.locator("#still .even").count() == 5  # four lines, and one of the key beside them
    assert {"−0.25", "−0.5", "−1"} <= set(page.locator("#still text.stops").all_text_contents())
    # what moved: a line with its lamp and which way, and the same in words below
    assert page.locator("#still .moved.lamp-0").count() == 2
    assert page.locator("#still text.what").all_text_contents() == ["rim: 0.4 stop less"]
    assert "rim: 0.4 stop less" in page.inner_text("#still figcaption")
    assert page.locator("#still .way").count() == 2
    assert page.locator("#still text.far").all_text_contents() == ["14 px"]
    assert "14 px further left" in page.inner_text("#still figcaption")
    said = page.inner_text("#seen")
    assert "rim: 0.4 stop less than kept (0.3 to 0.5)" in said
    assert "light from nowhere: about 4 %" in said
    assert "A picture is no meter" in said
    assert re.search(r"taken at \d\d:\d\d:\d\d, \d+ s ago", page.inner_text("#still figcaption"))
    assert "Nothing of this picture is stored" in page.inner_text("#still")
    page.click("#seen summary")
    assert "edge-left: too little of it in the picture to tell" in page.inner_text("#seen")
    alt = page.get_attribute("#still img", "alt")
    assert alt.startswith("The set as the camera saw it at ")


def test_no_picture_is_asked_for_by_who_does_not_look(scene: Scene) -> None:
    scene.page.goto(scene.url)
    scene.page.wait_for_selector("#headline:has-text('ready')", timeout=LONG)
    scene.hears()
    scene.page.wait_for_timeout(300)
    assert scene.asked == []
    opens(scene)
    assert scene.asked.count("still") == 1
    scene.page.click("#look-now")
    until(lambda: scene.asked.count("still") == 2, "a second look")
    scene.hears()  # what is heard besides asks for none
    scene.page.wait_for_timeout(300)
    assert scene.asked.count("still") == 2


def test_nothing_of_it_is_kept_and_only_who_asked_gets_it(scene: Scene) -> None:
    page = scene.page
    with page.expect_response(re.compile("still.jpg")) as got:
        opens(scene)
    reply = got.value
    assert reply.headers["cache-control"] == "no-store"
    assert reply.headers["content-type"] == "image/jpeg"
    assert reply.headers["x-content-type-options"] == "nosniff"
    address = reply.url
    with scene.browser.new_context() as context:
        other = context.new_page()
        assert other.request.get(address).status == 401
        come_in(other, scene.made.url, scene.made.code(), "Bo")
        assert other.request.get(address).status == 410
    assert page.request.get(address, headers={"sec-fetch-site": "cross-site"}).status == 403


def test_a_viewer_reads_and_gets_no_picture(scene: Scene) -> None:
    page = scene.browser.new_context(viewport=PHONE, locale="en-GB").new_page()
    come_in(page, scene.made.url, scene.made.code("viewer"), "Vi")
    scene.made.heard.seen.clear()
    page.goto(f"{scene.url}/picture")
    page.wait_for_selector("#seen:has-text('the picture is as kept')", timeout=LONG)
    assert page.locator("img, #look-now, #still").count() == 0
    assert "A person may be in it" in page.inner_text("header")
    token = page.get_attribute('meta[name="studiobridge-token"]', "content")
    address = f"{scene.made.url}/api/sets/{NAME}/picture"
    headers = {"X-Studiobridge-Token": token}
    assert page.request.post(address, headers=headers).status == 403
    assert page.request.get(f"{scene.url}/picture/preview.jpg").status == 403
    page.goto(f"{scene.url}/mark")
    page.wait_for_selector("#figures:has-text('face')", timeout=LONG)
    assert page.locator("#first").count() == 0
    assert scene.asked == []


def test_a_look_needs_the_token_and_comes_from_here(scene: Scene) -> None:
    opens(scene)
    address = f"{scene.made.url}/api/sets/{NAME}/picture"
    assert scene.page.request.post(address).status == 403
    token = scene.page.get_attribute('meta[name="studiobridge-token"]', "content")
    foreign = {"X-Studiobridge-Token": token, "origin": "https://elsewhere.example"}
    assert scene.page.request.post(address, headers=foreign).status == 403
    replies = [
        scene.page.request.post(address, headers={"X-Studiobridge-Token": token}).status
        for _ in range(31)
    ]
    assert replies[0] == 200 and replies[-1] == 429


def test_an_old_still_says_its_time_and_never_looks_like_now(scene: Scene) -> None:
    then = time.time() - 400
    detail = {"picture": witnessed.text(witnessed.picture()), "sighting": witnessed.sighting(then)}
    scene.sees(alone(detail))
    opens(scene)
    assert "old" in scene.page.get_attribute("#still figure", "class").split()
    assert re.search(r"as it was at \d\d:\d\d:\d\d, not now", scene.page.inner_text("#still .then"))
    # one of nobody knows when is no picture of now either
    scene.sees(alone({"picture": detail["picture"]}))
    scene.page.click("#look-now")
    scene.page.wait_for_selector("#still .then:has-text('nobody knows when')", timeout=LONG)
    assert scene.page.is_visible("#still .then")


def test_a_still_grows_old_by_itself(scene: Scene) -> None:
    """Nothing comes any more, and the page is left open: it says so by its own clock."""
    then = time.time() - 33.5  # of now for 35 s
    detail = {"picture": witnessed.text(witnessed.picture()), "sighting": witnessed.sighting(then)}
    scene.sees(alone(detail))
    scene.hears(witnessed.of_bridge(witnessed.sighting(then)))
    opens(scene)
    assert not scene.page.is_visible("#still .then")
    scene.page.wait_for_selector("#still figure.old .then", timeout=6000)
    assert scene.page.is_visible("#seen .then")
    assert (
        scene.page.eval_on_selector(
            "#seen .as-kept .mark", "(el) => getComputedStyle(el).visibility"
        )
        == "hidden"
    )


def test_where_nobody_looks_the_buttons_say_so(scene: Scene) -> None:
    page = scene.page
    opens(scene)
    scene.hears(None, {"alive": False})
    page.wait_for_selector("#look-now:disabled", timeout=LONG)
    assert page.inner_text("main").count("studiobridge witness serve") == 1
    page.wait_for_function("() => !document.querySelector('.first-seen img')", timeout=LONG)
    scene.hears("as kept", "no frames")
    page.wait_for_selector("#goes:has-text('no frame of the camera comes in')", timeout=LONG)
    assert page.inner_text("main").count("no frame of the camera comes in") == 1
    # it says that it looks, and does not answer
    scene.hears()
    scene.sees(None)
    page.wait_for_selector("#look-now:enabled", timeout=LONG)
    page.click("#look-now")
    page.wait_for_selector("#answer.bad:has-text('the witness does not answer')", timeout=LONG)
    scene.hears(bridge=False)
    page.wait_for_selector("#truth:has-text('No bridge runs')", timeout=LONG)
    assert "as kept" not in page.inner_text("#seen")


def test_while_it_looks_it_says_so_and_then_what_came_of_it(scene: Scene) -> None:
    page, goes_on = scene.page, threading.Event()

    def slow(what: str, look: str | None, lights: Mapping[str, Any]) -> Answer:
        if what == "still":
            goes_on.wait(10)
        return witnessed.sees(what, look, lights)

    scene.sees(slow)
    page.goto(f"{scene.url}/picture")
    page.wait_for_selector("#still:has-text('looking')", timeout=LONG)
    assert "No picture" not in page.inner_text("#still")
    before = page.locator("#look-now").bounding_box()
    goes_on.set()
    page.wait_for_selector("#still img", timeout=LONG)
    assert page.locator("#still .empty").count() == 0
    # what takes its place is as high as it was
    assert before["y"] >= page.locator("#still img").bounding_box()["height"]
    scene.sees(None)
    page.goto(f"{scene.url}/picture")
    page.wait_for_selector("#still:has-text('the witness does not answer')", timeout=LONG)
    # where nothing can be asked it is asked for as soon as it can be
    scene.sees(witnessed.sees)
    scene.hears("as kept", "no frames")
    page.goto(f"{scene.url}/picture")
    page.wait_for_selector("#look-now:disabled", timeout=LONG)
    scene.hears()
    page.wait_for_selector("#still img", timeout=LONG)


def test_of_a_look_whose_answer_did_not_come_nobody_says_that_nothing_was_asked(
    scene: Scene,
) -> None:
    """The connection broke: the panel may have been asked before it did."""
    page, asked = scene.page, []

    def breaks(route: Any) -> None:
        asked.append(route.request.url)
        route.abort("connectionreset")

    scene.sees(witnessed.sees)
    page.route("**/picture", lambda r: breaks(r) if r.request.method == "POST" else r.continue_())
    try:
        page.goto(f"{scene.url}/picture")
        page.wait_for_selector("#still:has-text('not known whether the question')", timeout=LONG)
        assert asked
        assert "nothing was asked" not in page.inner_text("body")
    finally:
        page.unroute("**/picture")


def test_a_state_is_said_once(scene: Scene) -> None:
    page = scene.page
    opens(scene)
    assert "the picture is looked at" not in page.inner_text("main")
    scene.hears(None, {**witnessed.ALIVE, "what": "not learned", "learned": None})
    page.wait_for_selector("#goes:has-text('have not been learned')", timeout=LONG)
    said = page.inner_text("main")
    assert said.count("have not been learned") == 1
    assert "has not been looked at" not in said
    # no empty frames stand where no look can be seen
    assert not page.is_visible(".first-seen .frame")
    assert page.is_enabled("#set-glaze button")


@pytest.mark.parametrize(("lit", "black"), [(0, True), (12, True), (40, False)])
def test_a_black_preview_says_so(scene: Scene, lit: int, black: bool) -> None:
    """All off, or no lamp of it learned: a camera's black is not quite nothing."""
    done, data = cv2.imencode(".jpg", np.full((270, 480, 3), lit, np.uint8))
    assert done
    detail = {"picture": witnessed.text(bytes(data.tobytes()))}
    page = scene.page
    scene.sees(lambda what, look, lights: Answer("x", True, 0, "", detail))
    page.goto(f"{scene.url}/picture")
    page.wait_for_selector("figure[data-look=lesson] img", timeout=LONG)
    assert ("black" in page.inner_text("figure[data-look=lesson]")) is black
    assert ("black" in page.get_attribute("figure[data-look=lesson] img", "alt")) is black


def test_a_set_without_a_witness_says_how_to_get_one_and_has_no_way_there(
    tmp_path: Any, scene: Scene
) -> None:
    from dataclasses import replace

    with served(tmp_path, replace(witnessed.PROFILE, witness=None)) as made:
        page = scene.browser.new_context(viewport=PHONE, locale="en-GB").new_page()
        made.say(**scene.ready)
        come_in(page, made.url, made.code())
        assert page.locator("nav.views a[href$='/picture']").count() == 0
        page.goto(f"{made.url}/s/{NAME}/picture")
        page.wait_for_selector("#goes:has-text('write `witness:` into the profile')", timeout=LONG)
        assert page.locator("#look-now").count() == 0
        page.goto(f"{made.url}/s/{NAME}/mark")
        page.wait_for_selector("#figures:has-text('face')", timeout=LONG)
        assert page.locator("#first").count() == 0
        assert made.heard.seen == []
    scene.page.goto(scene.url)
    assert scene.page.locator("nav.views a[href$='/picture']").count() == 1


HTML = witnessed.text(b"<html><script>alert(1)</script></html>")
SVG = witnessed.text(b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>")


@pytest.mark.parametrize(
    "picture",
    [HTML, SVG, witnessed.text(b"\xff\xd8\xff" + b"\0" * 10_000_000), "no base64!", None, 5, ""],
    ids=["html", "svg", "10 MB", "no base64", "nothing", "a number", "empty"],
)
def test_what_is_no_picture_is_refused(scene: Scene, picture: Any) -> None:
    opens(scene)
    scene.sees(alone({"picture": picture}))
    with scene.page.expect_response(re.compile("/api/.*picture")) as got:
        scene.page.click("#look-now")
    assert got.value.status == 502
    scene.page.wait_for_selector("#answer.bad:has-text('no picture')", timeout=LONG)
    reply = scene.page.request.get(f"{scene.url}/picture/preview.jpg?look=lesson")
    assert reply.status == 502 and "image" not in reply.headers["content-type"]


THREE = [[0.2, 0.2], [0.5, 0.2], [0.3, 0.6]]
LESS = {
    "amount": {"low": 0.3, "value": 0.35, "high": 0.4},
    "stops": {"low": -0.5, "value": -0.4, "high": -0.3},
}


def test_markup_in_names_and_nonsense_in_lines_does_nothing(scene: Scene) -> None:
    evil = "<img src=x onerror=alert(1)>"
    detail = {
        "picture": witnessed.text(witnessed.picture()),
        "contours": [
            {"stops": evil, "points": [[0, 0], [1, 1]]},
            {"stops": 1.0, "points": [[0, 0], [float("nan"), 5]]},
            {"stops": 0.5, "points": "x"},
            7,
            {"stops": -0.5, "points": [[0.2, 0.5], [0.8, 0.5]]},
        ],
        "outlines": [{"what": "light", "name": evil, "points": THREE}, {"name": 3}, 7],
        "sighting": {
            **witnessed.sighting(),
            "kept": evil,
            "lights": {evil: {**LESS, "moved": True}, "rim": {"tells": False}},
        },
    }
    scene.sees(alone(detail))
    opens(scene)
    assert scene.page.locator("#still img").count() == 1
    assert scene.page.locator("#still .over .even").count() == 1
    assert scene.page.locator("#still .over .moved").count() == 1
    assert "onerror=alert(1)>: 0.4 stop less" in scene.page.inner_text("#still figcaption")
    assert evil[:20] in scene.page.inner_html("#still").replace("&lt;", "<")


def test_a_step_is_seen_before_it_is_set(scene: Scene) -> None:
    page = scene.page
    page.goto(f"{scene.url}/mark#at-key")
    page.wait_for_selector("#first:not([hidden]) #as-is img", timeout=LONG)
    assert page.locator("#would-be img").count() == 0
    key = scene.ready["devices"]["key"]["level"]
    page.click("[data-try='+0.3 stop']")
    page.wait_for_selector("#would-be img", timeout=LONG)
    assert "key 0.3 stop brighter" in page.inner_text("#would-be-says")
    _, _, lights = scene.made.heard.seen[-1]
    assert lights["key"]["level"] > key * 1.15
    assert lights["fill"]["level"] == scene.ready["devices"]["fill"]["level"]
    assert page.get_attribute("#set-so", "data-step") == "+0.3 stop"
    assert page.is_enabled("#set-so")
    page.click("[data-try='+0.3 stop']")
    page.wait_for_selector("#tried:has-text('step there')", timeout=LONG)
    assert page.is_disabled("#set-so")  # more than this at once is not set
    # nothing was told to any lamp
    assert scene.made.heard.asked == []
    for one in ("#as-is img", "#would-be img"):
        assert "no photograph" in page.get_attribute(one, "alt")


def test_within_two_tenths_of_a_second(scene: Scene) -> None:
    """From the touch to the picture on the page, where the witness has it at once."""
    ready = witnessed.text(witnessed.picture(None, 480, 270))
    scene.sees(alone({"picture": ready}))
    page = scene.page
    page.goto(f"{scene.url}/mark#at-key")
    page.wait_for_selector("#as-is img", timeout=LONG)
    took = page.evaluate(
        """() => new Promise((done) => { const began = performance.now();
        const frame = document.querySelector('#would-be .frame');
        new MutationObserver(() => { if (frame.querySelector('img')) done(performance.now() - began) })
          .observe(frame, { childList: true });
        document.querySelector("[data-try='-0.3 stop']").click() })"""
    )
    print(f"from the touch to the picture: {took:.0f} ms")
    assert took < 1000  # what is asked of times is in the bench; 200 ms on a machine at rest


def test_a_late_preview_is_dropped_and_the_newest_wins(scene: Scene) -> None:
    page = scene.page
    page.goto(f"{scene.url}/mark#at-key")
    page.wait_for_selector("#as-is img", timeout=LONG)
    key, hold = scene.ready["devices"]["key"]["level"], threading.Event()

    def slow(what: str, look: str | None, lights: Mapping[str, Any]) -> Answer:
        if lights["key"]["level"] > key:
            hold.wait(5)  # the older step, on its way for long; told by its odd width
            return Answer(
                "x", True, 0, "", {"picture": witnessed.text(witnessed.picture({}, 100, 60))}
            )
        return witnessed.sees(what, look, lights)

    scene.sees(slow)
    page.click("[data-try='+0.3 stop']")
    until(lambda: len(scene.made.heard.seen) == 1, "the first step to be asked")
    page.click("[data-try='-20 mired']")
    page.wait_for_selector("#would-be img", timeout=LONG)
    hold.set()
    page.wait_for_timeout(400)
    wide = page.eval_on_selector("#would-be img", "(el) => el.naturalWidth")
    assert wide == 480
    assert "20 mired cooler" in page.inner_text("#would-be-says")


def test_four_touches_in_a_row_are_one_question(scene: Scene) -> None:
    page = scene.page
    page.goto(f"{scene.url}/mark#at-key")
    page.wait_for_selector("#as-is img", timeout=LONG)
    scene.made.heard.seen.clear()
    page.evaluate(
        """() => { for (const by of ['-0.3 stop', '+0.3 stop', '+20 mired', '-0.3 stop'])
        document.querySelector(`[data-try='${by}']`).click() }"""
    )
    page.wait_for_selector("#would-be img", timeout=LONG)
    page.wait_for_timeout(200)
    assert len(scene.made.heard.seen) == 1
    assert "0.3 stop darker" in page.inner_text("#would-be-says")


@pytest.mark.parametrize("code", ["auto exposure", "moved", "stale", "not learned"])
def test_nothing_is_seen_before_where_the_picture_hinders(scene: Scene, code: str) -> None:
    page = scene.page
    scene.hears(witnessed.of_bridge(witnessed.sighting(hinders=(code,)), None))
    page.goto(f"{scene.url}/mark#at-key")
    page.wait_for_selector("#can-see [data-why]", state="attached", timeout=LONG)
    page.wait_for_timeout(150)
    assert not page.is_visible("#first")
    assert scene.asked == []
    assert page.request.get(f"{scene.url}/picture/preview.jpg").status == 409


def test_looks_are_seen_before_they_are_set(scene: Scene) -> None:
    opens(scene)
    page = scene.page
    page.wait_for_function(
        f"() => document.querySelectorAll('.first-seen img').length === {len(witnessed.PROFILE.looks)}",
        timeout=LONG,
    )
    asked = {look: lights for what, look, lights in scene.made.heard.seen if what == "preview"}
    assert set(asked) == set(witnessed.PROFILE.looks)
    assert asked["lesson"] == {}  # the witness has the profile too
    assert "asked for now" in page.inner_text("#set-lesson")
    assert page.is_enabled("#set-glaze button")
    assert scene.made.heard.asked == []


def test_why_a_light_cannot_be_seen_before_stands_in_its_place(scene: Scene) -> None:
    why = "rim was not seen alone: learn anew"
    scene.sees(lambda what, look, lights: Answer("x", True, 1, why, {}))
    scene.page.goto(f"{scene.url}/picture")
    scene.page.wait_for_selector(f".first-seen p:has-text('{why}')", timeout=LONG)
    assert scene.page.locator(".first-seen img").count() == 0


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_axe_finds_nothing(scene: Scene, mode: str) -> None:
    page = scene.page
    scene.hears(witnessed.of_bridge(witnessed.moved(), False, differs=witnessed.DIFFERS))
    page.emulate_media(color_scheme=mode, reduced_motion="reduce")
    for path in ("/picture", "/mark#at-key"):
        page.goto(f"{scene.url}{path}")
        page.wait_for_selector(".first-seen img", timeout=LONG)
        page.set_viewport_size({**PHONE, "height": 4000})
        assert findings(page) == []
        page.set_viewport_size(PHONE)
    page.emulate_media(color_scheme="light")


@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_nothing_runs_over(scene: Scene, locale: str) -> None:
    context = scene.browser.new_context(
        viewport=PHONE, locale=locale, storage_state=scene.page.context.storage_state()
    )
    page = context.new_page()
    scene.hears(witnessed.of_bridge(witnessed.moved(), False, differs=witnessed.DIFFERS))
    for path in ("/picture", "/mark#at-key"):
        page.goto(f"{scene.url}{path}")
        page.wait_for_selector(".first-seen img", timeout=LONG)
        if locale == "de-DE" and path == "/picture":
            page.wait_for_selector("#seen:has-text('0,4 Blenden weniger als im Vergleichsbild')")
            page.wait_for_selector("#still figcaption:has-text('aufgenommen um')")
        for size in (PHONE, LYING, {"width": 1280, "height": 800}):
            page.set_viewport_size(size)
            over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert over <= 0, (path, size)
            small = page.evaluate(
                """() => [...document.querySelectorAll('main button')].filter((el) => el.offsetParent
                && el.getBoundingClientRect().height < 44).map((el) => el.textContent)"""
            )
            assert small == []
    context.close()


def test_a_jpeg_is_told_by_its_frame() -> None:
    data = witnessed.picture(None, 320, 180)
    found = pictured.jpeg(witnessed.text(data))
    assert (found.width, found.height) == (320, 180)
    for broken in (data[:40], data[:-2] + b"xx", b"\xff\xd8\xff\xd9", b"GIF89a" + data):
        with pytest.raises(pictured.NoPicture):
            pictured.jpeg(witnessed.text(broken))


BOX = {"what": "stray", "name": "x", "left": 0.0, "top": 0.0, "right": 1.0, "bottom": 1.0}


def drawn(value: object, seen: Mapping[str, Any] | None = None) -> list[pictured.Drawn]:
    return pictured.outlines(value, witnessed.moved() if seen is None else seen, pictured.Places())


def test_an_outline_as_large_as_the_picture_has_its_name_within_it() -> None:
    (one,) = drawn([BOX])
    assert one.label == "light from nowhere"
    assert 6 <= one.x <= 94 and 6 <= one.y <= 94
    points = [tuple(float(n) for n in point.split(",")) for point in one.points.split()]
    assert all(0 < x < 1000 and 0 < y < 1000 for x, y in points)  # its line is in the picture


LAMP = {"what": "light", "name": "rim", "points": THREE}


def test_each_lamp_that_moved_has_a_pattern_and_its_name_once() -> None:
    seen = witnessed.moved()
    seen["lights"]["fill"] = {**LESS, "stops": {"low": 0.2, "value": 0.3, "high": 0.4}}
    seen["lights"]["fill"]["moved"] = True
    far = [[x + 0.4, y + 0.3] for x, y in THREE]
    found = drawn([LAMP, {**LAMP, "points": far}, {**LAMP, "name": "fill"}, BOX], seen)
    names = [one.name for one in found]
    assert names == ["rim: 0.4 stop less", "", "fill: 0.3 stop more", "light from nowhere"]
    assert [one.dash for one in found] == ["lamp-0", "lamp-0", "lamp-1", "stray"]
    wide = 2 * pictured.HALF_LETTER * 100
    labelled = [one for one in found if one.label]
    for one in labelled:
        half = wide * len(one.label) / 2
        assert half <= one.x <= 100 - half
        for other in labelled:
            apart = abs(one.x - other.x) >= wide * (len(one.label) + len(other.label)) / 2
            assert one is other or apart or abs(one.y - other.y) > 100 * pictured.LABEL_HIGH


@pytest.mark.parametrize(
    "outline",
    [
        {**LAMP, "name": "edge-left"},  # the picture cannot tell it
        {**LAMP, "name": "key"},  # it has not moved
        {**LAMP, "name": "nobody"},
        {**LAMP, "name": ["rim"]},
        {**LAMP, "what": "person"},
        {**LAMP, "points": THREE[:2]},
        {**LAMP, "points": [[0.2, 0.2], [0.2, 0.2], [0.2, 0.2]]},  # around nothing
        {**LAMP, "points": [[0.2, 0.2], [0.5, 0.2], [0.3, 7.0]]},
        {**LAMP, "points": [[0.2, 0.2], [0.5, 0.2], [0.3, float("nan")]]},
        {**LAMP, "points": [[0.2, 0.2], [0.5, 0.2], [0.3, True], "x"]},
        {**LAMP, "points": THREE * 50},
        {**LAMP, "points": "0,0 1,1"},
        {**BOX, "left": 0.5, "right": 0.4},
        {**BOX, "top": float("inf")},
        {**BOX, "bottom": None},
        None,
        "rim",
    ],
)
def test_an_outline_that_is_none_is_not_drawn(outline: Any) -> None:
    assert drawn([outline]) == []
    assert len(drawn([outline, LAMP])) == 1


def test_nothing_is_outlined_where_the_same_answer_does_not_say_it() -> None:
    assert drawn([LAMP, BOX], witnessed.sighting()) == []
    assert drawn([LAMP, BOX], {**witnessed.moved(), "hinders": ["auto exposure"]}) == []
    assert drawn([LAMP, BOX], {}) == []
    assert len(drawn([LAMP] * 500)) <= pictured.MOST_OUTLINES
    assert pictured.contours(witnessed.rings(), {}, pictured.Places()) == []


@pytest.mark.parametrize("right, down", [(14.0, 0.0), (-3.0, 200.0), (0.0, -9.0), (600.0, 10.0)])
def test_an_arrow_points_where_the_camera_looks_and_says_how_far(right: float, down: float) -> None:
    seen = witnessed.moved()
    seen["framing"] |= {"right": right, "down": down}
    found = pictured.arrow(seen, 960, 540, pictured.Places())
    assert found is not None
    assert found.label == f"{np.hypot(right, down):.0f} px"
    across, along = (found.x - 500) * 0.96, (found.y - 500) * 0.54
    assert (across * right + along * down) / np.hypot(across, along) / np.hypot(
        right, down
    ) == pytest.approx(1.0)
    for x, y in (point.split(",") for point in found.head.split()):
        assert 0 < float(x) < 1000 and 0 < float(y) < 1000
    assert 5 < found.label_x < 95 and 5 < found.label_y < 95


@pytest.mark.parametrize(
    "framing",
    [{"moved": False}, {"right": 0.1, "down": 0.2}, {"right": float("nan")}, {"down": 1e9}],
)
def test_no_arrow_where_nobody_can_tell_which_way(framing: dict[str, Any]) -> None:
    seen = witnessed.moved()
    seen["framing"] |= framing
    assert pictured.arrow(seen, 960, 540, pictured.Places()) is None


def test_labels_do_not_lie_over_each_other() -> None:
    crowd = [
        {"stops": n / 8, "points": [[0.1, 0.3 + n / 200], [0.5, 0.3 + n / 200], [0.9, 0.3]]}
        for n in range(20)
    ]
    found = [
        one
        for one in pictured.contours(crowd, witnessed.sighting(), pictured.Places())
        if one.label
    ]
    assert 1 <= len(found) <= pictured.MOST_LABELS
    for one in found:
        for other in found:
            apart = abs(one.x - other.x) > 15.9 or abs(one.y - other.y) > 8.9
            assert one is other or apart
