"""What a browser keeps: files once, an icon to begin with, and a page that says that nothing answers."""

from __future__ import annotations

import base64
import re
import socket
import struct
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from studiobridge.panel.files import STATIC, stamp, static
from tests.brokers import needs_mosquitto
from tests.panel.browser import PHONE, needs_chromium, watched
from tests.panel.icons import SIDES
from tests.panel.studio import Studio, studio, until

pytestmark = [needs_mosquitto, needs_chromium]
SET = "shelf-corner"
MOST = 100_000  # bytes of a first view


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    # always the same port: a browser keeps by address, and the panel comes back at its own
    settings = f"panel: {{port: {free_port()}}}\n"
    with studio(tmp_path_factory.mktemp("studio"), "one-plug-one-light", settings) as found:
        until(
            lambda: httpx.get(f"{found.url}/health").status_code == 200,
            "the panel to see the bridge",
        )
        yield found


@pytest.fixture(scope="module")
def cookie(made: Studio) -> dict[str, str]:
    with httpx.Client(base_url=made.url) as client:
        client.post("/pair", data={"secret": made.code(), "name": "Ana"})
        return {"name": "studiobridge", "value": client.cookies["studiobridge"], "url": made.url}


def come(opened: Any, cookie: dict[str, str], **more: Any) -> Any:
    context = opened.new_context(viewport=PHONE, **more)
    context.add_cookies([cookie])
    return context


# ---- files ---------------------------------------------------------------------------------


def test_a_file_is_kept_for_good_under_its_stamp_and_asked_about_without(made: Studio) -> None:
    for name in ("base.css", "counting.js", "icon.svg"):
        kept = httpx.get(made.url + static(name))
        assert kept.status_code == 200
        assert kept.headers["cache-control"] == "public, max-age=31536000, immutable"
        plain = httpx.get(f"{made.url}/static/{name}")
        assert plain.headers["cache-control"] == "no-cache"
        assert plain.content == kept.content
        again = httpx.get(
            f"{made.url}/static/{name}", headers={"If-None-Match": plain.headers["etag"]}
        )
        assert again.status_code == 304 and again.content == b""
    # what no page names is nothing: another version, a way out of the folder
    for path in (
        "/static/000000000000/base.css",
        f"/static/{stamp()}/../app.py",
        f"/static/{stamp()}/",
        "/static/",
    ):
        assert httpx.get(made.url + path).status_code == 404


def test_every_page_names_its_files_by_their_stamp(made: Studio, cookie: dict[str, str]) -> None:
    with httpx.Client(base_url=made.url, cookies={"studiobridge": cookie["value"]}) as client:
        pages = [
            "/pair",
            "/offline",
            *(f"/s/{SET}{view}" for view in ("", "/stand", "/mark", "/plain", "/record", "/setup")),
        ]
        for path in pages:
            text = client.get(path).text
            named = re.findall(r'(?:src|href)="(/static/[^"]*)"', text)
            assert named and all(it.startswith(f"/static/{stamp()}/") for it in named), (
                path,
                named,
            )
            for it in set(named):
                assert client.get(it).status_code == 200, it


@pytest.mark.parametrize("view", ["", "/stand", "/mark", "/plain", "/record"])
def test_a_first_view_is_under_100_kb_and_a_second_fetches_no_file(
    made: Studio, opened: Any, cookie: dict[str, str], view: str
) -> None:
    """Every byte that is fetched until it is all there, by the browser's own count, and then again."""
    context = come(opened, cookie, service_workers="block")
    page = context.new_page()
    tool = context.new_cdp_session(page)
    tool.send("Network.enable")
    sizes: dict[str, float] = {}
    urls: dict[str, str] = {}
    tool.on(
        "Network.requestWillBeSent",
        lambda it: urls.__setitem__(it["requestId"], it["request"]["url"]),
    )

    def came(it: dict[str, Any]) -> None:
        sizes[it["requestId"]] = sizes.get(it["requestId"], 0.0) + it["encodedDataLength"]

    def piece(it: dict[str, Any]) -> None:
        # the stream never ends: what came of it so far counts
        if "/events" in urls.get(it["requestId"], ""):
            sizes[it["requestId"]] = sizes.get(it["requestId"], 0.0) + it["dataLength"]

    tool.on("Network.loadingFinished", came)
    tool.on("Network.dataReceived", piece)
    page.goto(f"{made.url}/s/{SET}{view}", wait_until="load")
    page.wait_for_timeout(600)
    total = sum(sizes.values())
    assert 5_000 < total < MOST, {urls[k]: v for k, v in sizes.items()}
    fetched: list[str] = []
    tool.on(
        "Network.responseReceived",
        lambda it: (
            None
            if it["response"].get("fromDiskCache") or it["response"].get("fromPrefetchCache")
            else fetched.append(it["response"]["url"])
        ),
    )
    served: set[str] = set()
    tool.on("Network.requestServedFromCache", lambda it: served.add(urls[it["requestId"]]))
    page.goto("about:blank")
    page.goto(f"{made.url}/s/{SET}{view}", wait_until="load")
    page.wait_for_timeout(300)
    assert [url for url in fetched if "/static/" in url and url not in served] == []
    assert any(url.endswith(view or SET) for url in fetched)  # it did look
    context.close()


# ---- installed -----------------------------------------------------------------------------


def test_it_can_be_installed(made: Studio, opened: Any, cookie: dict[str, str]) -> None:
    said = httpx.get(f"{made.url}/manifest.webmanifest").json()
    assert (said["id"], said["scope"], said["start_url"], said["display"]) == (
        "/",
        "/",
        "/",
        "standalone",
    )
    sizes = {(icon["sizes"], icon["purpose"]) for icon in said["icons"]}
    assert {("192x192", "any"), ("512x512", "any"), ("512x512", "maskable")} <= sizes
    for icon in said["icons"]:
        reply = httpx.get(made.url + icon["src"])
        assert reply.status_code == 200 and reply.headers["content-type"].startswith(icon["type"])
        if icon["type"] == "image/png":
            # the header chunk of a PNG (RFC 2083, 4.1.1): width and height
            wide, high = struct.unpack(">II", reply.content[16:24])
            assert f"{wide}x{high}" == icon["sizes"]
    # what the browser itself says of it
    context = come(opened, cookie)
    page = context.new_page()
    page.goto(f"{made.url}/s/{SET}/stand")
    tool = context.new_cdp_session(page)
    assert tool.send("Page.getAppManifest")["errors"] == []
    missing = tool.send("Page.getInstallabilityErrors")["installabilityErrors"]
    # a window of a test is no place to install from; everything else would be ours
    assert [it for it in missing if it["errorId"] != "in-incognito"] == []
    context.close()


def test_icons_are_those_of_the_drawing(opened: Any) -> None:
    """A maskable icon may be cut to a circle of 40 % of its side: outside of that is only ground."""
    assert set(SIDES) <= {path.name for path in STATIC.iterdir()}
    page = opened.new_page()
    outside = page.evaluate(
        """async (data) => { const image = new Image(); image.src = data; await image.decode();
        const side = image.width; const canvas = document.createElement('canvas'); canvas.width = canvas.height = side;
        const drawing = canvas.getContext('2d'); drawing.drawImage(image, 0, 0);
        const all = drawing.getImageData(0, 0, side, side).data; let outside = 0, inside = 0;
        for (let i = 0; i < all.length; i += 4) {
          const x = (i / 4) % side + 0.5 - side / 2, y = Math.floor(i / 4 / side) + 0.5 - side / 2;
          if (all[i + 3] !== 255) outside += 1e6;
          const other = Math.abs(all[i] - all[0]) + Math.abs(all[i + 1] - all[1]) + Math.abs(all[i + 2] - all[2]) > 30;
          if (other && Math.hypot(x, y) > 0.4 * side) outside += 1; else if (other) inside += 1;
        } return [outside, inside] }""",
        "data:image/png;base64,"
        + base64.b64encode((STATIC / "icon-maskable-512.png").read_bytes()).decode(),
    )
    page.close()
    assert outside[0] == 0 and outside[1] > 10_000


def test_what_is_round_the_page_has_its_colour(
    made: Studio, opened: Any, cookie: dict[str, str]
) -> None:
    """The theme colour is that of the paper, in light, in dark and in dim."""
    colours = """() => {
      const theme = [...document.querySelectorAll('meta[name=theme-color]')].find((el) => !el.media || matchMedia(el.media).matches);
      const drawing = document.createElement('canvas').getContext('2d');
      const plain = (colour) => { drawing.fillStyle = colour; return drawing.fillStyle };
      return [plain(theme.content), plain(getComputedStyle(document.body).backgroundColor)] }"""
    for scheme in ("light", "dark"):
        context = come(opened, cookie, color_scheme=scheme)
        page = context.new_page()
        for view in ("", "/stand"):
            page.goto(f"{made.url}/s/{SET}{view}")
            theme, paper = page.evaluate(colours)
            assert theme == paper, (scheme, view)
            page.evaluate("() => document.getElementById('dim').click()")
            assert page.evaluate(colours) == ["#000000", "#000000"], (scheme, view)
            page.evaluate("() => document.getElementById('dim').click()")
            assert page.evaluate(colours) == [theme, paper]
        context.close()


# ---- nothing answers -----------------------------------------------------------------------


def restart(made: Studio) -> None:
    made.page.start().said("the page is at http")
    until(lambda: _well(made), "the panel to be back")


def _well(made: Studio) -> bool:
    try:
        return httpx.get(f"{made.url}/health").status_code == 200
    except httpx.HTTPError:
        return False


KEEPS = """async () => { const found = {}; for (const name of await caches.keys())
  found[name] = (await (await caches.open(name)).keys()).map((it) => new URL(it.url).pathname); return found }"""


def test_not_reached_since_and_never_an_old_state(
    made: Studio, opened: Any, cookie: dict[str, str]
) -> None:
    context = come(opened, cookie)
    page = context.new_page()
    wrong = watched(page)
    page.goto(f"{made.url}/s/{SET}")
    page.wait_for_selector("#headline:has-text('dark')")
    page.evaluate("() => navigator.serviceWorker.ready.then(() => 1)")
    page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    # only files and the one page: nothing that was ever said of a set
    kept = page.evaluate(KEEPS)
    assert list(kept) == [f"studiobridge-{stamp()}"]
    (paths,) = kept.values()
    assert "/offline" in paths
    assert [
        it for it in paths if it != "/offline" and not it.startswith(f"/static/{stamp()}/")
    ] == []
    reached = page.evaluate("() => Number(localStorage.getItem('studiobridge-reached'))")
    assert abs(reached - page.evaluate("() => Date.now()")) < 20_000
    since = page.evaluate("(at) => new Date(at).toTimeString().slice(0, 5)", reached)

    made.page.kill()
    try:
        for path in (f"/s/{SET}", f"/s/{SET}/stand", f"/s/{SET}/record", "/"):
            page.goto(made.url + path)
            text = page.inner_text("main")
            assert page.inner_text("h1 >> visible=true")[:-1] == f"Not reached since {since}"[:-1]
            for word in ("DARK", "READY", "ready", "dark", "bring"):
                assert word not in text, (path, word)
            assert page.url == made.url + path  # looking again asks for the same
        assert page.locator("button").count() == 0
        # and it comes back by itself, to the page that was wanted
        page.goto(f"{made.url}/s/{SET}/stand")
    finally:
        restart(made)
    page.wait_for_selector("#stand .word:has-text('DARK')", timeout=15_000)
    context.close()
    assert wrong == []


def test_a_new_version_takes_over_by_itself(
    made: Studio, opened: Any, cookie: dict[str, str]
) -> None:
    """The worker is another text with another stamp: the browser's store is then of that one."""
    context = come(opened, cookie)
    page = context.new_page()
    old = "0" * 12
    served = {"stamp": old}

    def another(route: Any) -> None:
        reply = route.fetch()
        route.fulfill(response=reply, body=reply.text().replace(stamp(), served["stamp"]))

    # as an older panel would have served it: its worker, and files at its own address
    context.route("**/worker.js", another)
    context.route(
        f"**/static/{old}/**", lambda route: route.fulfill(body="", content_type="text/css")
    )
    page.goto(f"{made.url}/s/{SET}/stand")
    page.wait_for_function(
        "async () => (await caches.keys()).join() === 'studiobridge-000000000000'"
    )
    page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    page.evaluate("() => { window.ofBefore = true }")
    served["stamp"] = stamp()
    page.evaluate("() => navigator.serviceWorker.getRegistration().then((it) => it.update())")
    page.wait_for_function(f"async () => (await caches.keys()).join() === 'studiobridge-{stamp()}'")
    # and the page itself is begun anew
    page.wait_for_function("() => window.ofBefore === undefined")
    page.wait_for_selector("#stand .word:has-text('DARK')")
    context.close()


def test_the_worker_may_have_the_whole_page_and_is_always_asked_about(made: Studio) -> None:
    reply = httpx.get(f"{made.url}/worker.js")
    assert reply.headers["service-worker-allowed"] == "/"
    assert reply.headers["cache-control"] == "no-cache"
    assert "worker-src 'self'" in reply.headers["content-security-policy"]
    assert stamp() in reply.text
    text = httpx.get(f"{made.url}/offline").text
    assert SET not in text


def test_a_viewer_sees_the_word_and_has_a_way_back(made: Studio, opened: Any) -> None:
    with httpx.Client(base_url=made.url) as client:
        client.post("/pair", data={"secret": made.code("--viewer"), "name": "Guest"})
        token = client.cookies["studiobridge"]
    context = come(opened, {"name": "studiobridge", "value": token, "url": made.url})
    page = context.new_page()
    page.goto(f"{made.url}/s/{SET}/stand")
    page.wait_for_selector("#stand .word:has-text('DARK')")
    # nothing that is pressed by accident: what there is is in the fold, and the way back
    assert page.locator(".ask, form").count() == 0
    assert page.locator("button >> visible=true").count() == 0
    made.bridge.kill()
    try:
        page.wait_for_selector("#stand .word:has-text('NOT CONNECTED')", timeout=5000)
    finally:
        made.bridge.start().said("running on")
    page.wait_for_selector("#stand .word:has-text('DARK')", timeout=20_000)
    page.click(".back")
    page.wait_for_url(f"**/s/{SET}")
    context.close()
