"""The page in another language than English: which, how it is kept, and what is never translated."""

from __future__ import annotations

import re
import zoneinfo
from pathlib import Path

import polib
import pytest

from studiobridge.panel.languages import wanted
from studiobridge.panel.saying import text, texts
from studiobridge.panel.texts import BadCatalogue, read, tongues
from studiobridge.panel.texts.collecting import Found, collected, senses_in_the_air, wrong_in
from studiobridge.shown import drift_words, proof_words, words
from studiobridge.shown.tongue import ENGLISH, english, figure, say, speaking, with_languages
from tests.panel.indoors import Indoors, called

FOLDER = Path(text.__code__.co_filename).parent / "texts"
GERMAN = tongues()["de"]


# ---- catalogues -----------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.po")), ids=lambda path: path.name)
def test_a_catalogue_lacks_nothing_and_has_nothing_too_much(path: Path) -> None:
    assert wrong_in(polib.pofile(str(path), encoding="utf-8"), collected()) == []


def test_texts_are_collected_from_templates_python_and_scripts() -> None:
    found = collected()
    ends = {where.split(":")[0].rpartition(".")[2] for f in found.values() for where in f.where}
    assert ends == {"html", "py", "js"}


def test_whatever_is_said_in_a_sense_is_written_down_in_that_sense() -> None:
    assert senses_in_the_air() == []


HEAD = 'msgid ""\nmsgstr "Language: xx\\nPlural-Forms: nplurals=2; plural=(n != 1);\\n"\n\n'


def test_what_is_wrong_in_a_catalogue_is_named() -> None:
    entry = 'msgid "silent: {device}"\nmsgstr "stumm: {gerät}"\n\nmsgid "old"\nmsgstr "alt"\n'
    texts = {("", "silent: {device}"): Found(where=["words.py:1"]), ("", "ready"): Found()}
    lines = wrong_in(polib.pofile(HEAD + entry, encoding="utf-8"), texts)
    assert [line.split()[0] for line in lines] == ["lacks", "has", "has"]
    assert '"ready"' in lines[0] and '"old"' in lines[1] and "places" in lines[2]


def test_a_translation_that_does_not_fit_is_left_out_and_its_page_stays_whole() -> None:
    entry = 'msgid "since {time}"\nmsgstr "seit {zeit}"\n\nmsgid "silent"\nmsgstr "stumm"\n'
    with speaking(read(HEAD + entry, "xx.po")):
        assert say("since {time}", time="20:14:05") == "since 20:14:05"
        assert say("silent") == "stumm"


@pytest.mark.parametrize("nonsense", ["msgid x", 'msgid "a"\nmsgstr "b"\n', "\0", '"'])
def test_a_catalogue_that_is_none_is_said_with_its_name(nonsense: str) -> None:
    with pytest.raises(BadCatalogue, match=r"xx\.po"):
        read(nonsense, "xx.po")


# ---- sentences ------------------------------------------------------------------------------


def test_numbers_plurals_and_senses_are_those_of_the_language() -> None:
    drift = [{"device": "key", "point": "level", "wanted": 64.0, "reported": 80.0, "stops": 0.32}]
    assert drift_words.drift_line(drift) == "key +0.32 stop (64 → 80 %)"
    with speaking(GERMAN):
        assert drift_words.drift_line(drift) == "key +0,32 Blenden (64 → 80 %)"
        assert proof_words.unproven({"record_lost": 1}) == [
            "das Protokoll: 1 Eintrag ging verloren"
        ]
        assert proof_words.unproven({"record_lost": 2}) == [
            "das Protokoll: 2 Einträge gingen verloren"
        ]
        assert say("ready", sense="state") == "bereit"
        assert figure(0.5, ".1f") == "0,5"
    assert proof_words.unproven({"record_lost": 2}) == ["the record: 2 notes were lost"]


def test_what_the_bridge_says_stays_english_and_is_marked_so() -> None:
    state = {"still_on": [{"device": "bench", "watts": 60.5, "why": "switched on by hand"}]}
    assert proof_words.still_on(state) == ["bench, 60.5 W: switched on by hand"]
    with speaking(GERMAN):
        (line,) = proof_words.still_on(state)
        assert with_languages(f"<li>{line}</li>") == (
            '<li>bench, 60,5 W: <span lang="en">switched on by hand</span></li>'
        )


def test_marks_of_english_never_break_what_they_stand_in() -> None:
    with speaking(GERMAN):
        why = english("why")
        assert with_languages(f'<p title="{why}">{why}</p>') == (
            '<p title="why"><span lang="en">why</span></p>'
        )
        assert with_languages(f"<title>a: {why}</title>") == "<title>a: why</title>"
        assert with_languages(f"<svg><title>{why}</title><text>{why}</text></svg>{why}") == (
            '<svg><title>why</title><text><tspan lang="en">why</tspan></text></svg>'
            '<span lang="en">why</span>'
        )
        # cut off before its end
        assert with_languages(f"<p>{why[:-1]}</p><p>und</p>") == (
            '<p><span lang="en">why</span></p><p>und</p>'
        )


def test_nothing_from_outside_can_make_such_a_mark() -> None:
    with speaking(GERMAN):
        assert "\x0e" not in words.clean("a\x0eb\x0f")
        assert "\x0e" not in words.lockout({"by": "\x0eAna", "why": "\x0f"})


def test_a_text_is_escaped_once_with_all_that_stands_in_it() -> None:
    with speaking(GERMAN):
        assert text("since {time}", time="<b>") == "seit &lt;b&gt;"
        assert text("since {time}", time="{0.__class__}\u202e") == "seit {0.__class__}\ufffd"
        many = texts("the record: {n} note was lost", "the record: {n} notes were lost", 3)
        assert many == "das Protokoll: 3 Einträge gingen verloren"


def test_a_moment_is_told_in_the_zone_of_its_set() -> None:
    at = "2026-03-01T20:14:05.500Z"
    with speaking(ENGLISH, zoneinfo.ZoneInfo("Asia/Kolkata")):
        assert words.moment(at) == "01:44:05"
        assert words.moment(at, date=True) == "2026-03-02 01:44:05"
        assert proof_words.silent({"silent": [{"device": "fill", "since": at}]}) == [
            "silent: fill, since 01:44:05"
        ]
    with speaking(GERMAN, zoneinfo.ZoneInfo("America/New_York")):
        assert words.moment(at) == "15:14:05"


# ---- which language -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("", "en"),
        ("de", "de"),
        ("de-CH, en;q=0.5", "de"),
        ("en, de;q=0.9", "en"),
        ("en;q=0.4, de;q=0.9", "de"),
        ("fr, it;q=0.8", "en"),
        ("fr, de;q=0.1", "de"),
        ("de;q=0", "en"),
        ("*", "en"),
        ("de;q=nan", "en"),
        ("de;q=inf", "en"),
        ("de;q=x, en;q=0.1", "en"),
        ("x" * 10_000 + ", de", "en"),
    ],
)
def test_what_the_browser_asks_for(header: str, code: str) -> None:
    assert wanted(header, tongues()).code == code


def test_a_page_says_its_language_and_a_choice_is_kept(tmp_path: Path) -> None:
    guest = Indoors(tmp_path)
    page = guest.get("/pair", "fr")
    assert '<html lang="en"' in page.text and "Who are you?" in page.text
    page = guest.get("/pair", "de-AT")
    assert '<html lang="de"' in page.text and "Wer ist da?" in page.text
    # chosen without a script and before anybody has come in
    assert re.search(r'<form method="post" action="/language"[^>]*>', page.text)
    reply = guest.ask("POST", "/language", data={"language": "en", "next": "/pair?next=/"})
    assert (reply.status_code, reply.headers["location"]) == (303, "/pair?next=/")
    assert "Who are you?" in guest.get("/pair", "de").text
    guest.ask("POST", "/language", data={"language": "de", "next": "/"})
    assert "Wer ist da?" in guest.get("/pair", "en").text


@pytest.mark.parametrize("chosen", ["", "fr", "de'\"><x>", "../de"])
def test_a_language_that_nobody_has_is_not_kept(tmp_path: Path, chosen: str) -> None:
    guest = Indoors(tmp_path)
    reply = guest.ask("POST", "/language", data={"language": chosen, "next": "//elsewhere.example"})
    assert (reply.status_code, reply.headers["location"]) == (303, "/")
    assert "set-cookie" not in reply.headers


def test_no_other_site_chooses_a_language(tmp_path: Path) -> None:
    headers = {"origin": "https://elsewhere.example"}
    reply = Indoors(tmp_path).ask("POST", "/language", data={"language": "de"}, headers=headers)
    assert reply.status_code == 403


def test_every_language_has_parts_of_its_own(tmp_path: Path) -> None:
    """One board draws for pages of several languages at a time."""
    guest = Indoors(tmp_path)
    board = guest.panel.house.boards["wheel-corner"]
    assert "no plug says" in board.shows("hand")["left"]
    with speaking(GERMAN):
        assert "keine Steckdose meldet" in board.shows("hand")["left"]
    assert "no plug says" in board.shows("hand")["left"]


# ---- pages ----------------------------------------------------------------------------------


def test_all_sets_and_how_each_stands(tmp_path: Path) -> None:
    profiles = [called("corner", "Wheel corner"), called("table", "שולחן ליוצרים")]
    guest = Indoors(tmp_path, profiles).come_in()
    guest.heard["corner"].shown.state = {
        "state": "adrift",
        "look": "lesson",
        "drifting": ["key"],
        "still_on": [{"device": "kiln", "why": "x"}],
        "rolling": ["camera"],
    }
    guest.heard["corner"].shown.drift = [{"device": "key", "point": "level"}]
    guest.heard["table"].sure = False
    guest.heard["table"].up = False
    guest.heard["table"].why = "no broker"
    page = guest.get("/").text
    corner, table = page.split('id="set-corner"')[1].split('id="set-table"')
    for said in ("adrift: key, look lesson", "rolling: camera", "should not be: kiln"):
        assert said in corner
    assert "not confirmed" in table and "no broker" in table and "dark" not in table
    assert '<bdi class="who">שולחן ליוצרים</bdi>' in page
    page = guest.get("/", "de").text
    assert "verstellt: key, Lichtstimmung lesson" in page
    assert '<span lang="en">no broker</span>' in page


def test_a_code_is_seen_while_it_is_typed_and_a_password_has_its_own_field(tmp_path: Path) -> None:
    guest = Indoors(tmp_path)
    page = guest.get("/pair").text
    field = re.search(r'<input name="secret"[^>]*>', page)
    assert field is not None and 'type="text"' in field[0]
    assert re.search(r'<input name="password" type="password"', page)
    guest.panel.house.keys.set_password("a long enough one", "viewer")
    wrong = guest.ask("POST", "/pair", data={"secret": "", "password": "another one", "name": "Bo"})
    assert wrong.status_code == 403 and "not right" in wrong.text
    # what was chosen to type stays open, and nothing of it comes back
    assert "<details open>" in wrong.text and "another one" not in wrong.text
    nothing = guest.ask("POST", "/pair", data={"secret": " ", "password": "", "name": "Bo"})
    assert nothing.status_code == 422 and "Type the code" in nothing.text
    right = guest.ask("POST", "/pair", data={"password": "a long enough one", "name": "Bo"})
    assert right.status_code == 303


def test_this_page_says_whose_it_is_and_has_a_way_out(tmp_path: Path) -> None:
    guest = Indoors(tmp_path).come_in("viewer", "<Dorotea>")
    page = guest.get("/this-page").text
    assert "&lt;Dorotea&gt;" in page and "see, and ask for nothing" in page and "localhost" in page
    assert '<form method="post" action="/leave">' in page
    reply = guest.ask("POST", "/leave")
    assert reply.headers["location"] == "/pair"
    assert guest.get("/api/session").status_code == 401


@pytest.mark.parametrize("next_", ["//elsewhere.example", "https://e.example", "/\\e", "x", "/\n/"])
def test_pairing_leads_to_no_other_site(tmp_path: Path, next_: str) -> None:
    guest = Indoors(tmp_path)
    code = guest.panel.house.keys.new_code("operator")
    reply = guest.ask("POST", "/pair", data={"secret": code, "name": "Ana", "next": next_})
    assert (reply.status_code, reply.headers["location"]) == (303, "/")


def test_what_the_commands_draw_too_is_wholly_english_and_says_so(tmp_path: Path) -> None:
    """The sheet and the lines of a setup: no German figure in an English sentence."""
    guest = Indoors(tmp_path).come_in()
    sheet = guest.get("/s/wheel-corner/sheet", "de").text
    assert '<html lang="en"' in sheet
    drawn_anew = re.compile(r"\d{4}-\d\d-\d\d[ T\d:.]*")
    assert drawn_anew.sub("", sheet) == drawn_anew.sub(
        "", guest.get("/s/wheel-corner/sheet", "en").text
    )
    lines = re.compile(r'<section lang="en">.*?</section>', re.S)
    german = guest.get("/s/wheel-corner/setup", "de").text
    assert lines.findall(german) == lines.findall(guest.get("/s/wheel-corner/setup", "en").text)
    assert len(lines.findall(german)) > 3 and "Aufbauen" in german
