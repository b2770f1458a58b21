"""`proof:` says how a device is known that cannot report, and `check` says when nothing could."""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError, read_profile_text

BASE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
    watts: {hear: {topic: "{at}/w"}}
  panel:
    level:
      tell: {topic: "{at}/do", json: {dim: "{value}"}, span: 0..255}
      hear: {topic: "{at}/is", field: dim, span: 0..255}
  deaf:
    level: {tell: {topic: "{at}/dim"}}
devices:
  kiln-plug: {kind: plug, fed_by: wall, speaks: relay, at: kiln/p, meters: yes}
  key: {kind: light, fed_by: kiln-plug, speaks: panel, at: kiln/k}
  strip: {kind: light, fed_by: kiln-plug, speaks: deaf, at: kiln/s, draws: 12 W, proof: none}
  rim: {kind: light, fed_by: kiln-plug, draws: 15 W}
looks:
  day: {key: {level: 64 %}, strip: {level: 40 %}, rim: {level: 30 %}}
"""
NONE = "draws: 12 W, proof: none"
RIM = "rim: {kind: light, fed_by: kiln-plug, draws: 15 W"


def changed(old: str, new: str) -> str:
    assert BASE.count(old) == 1, old
    return BASE.replace(old, new)


def proofs(text: str) -> dict[str, str]:
    return {name: d.proof for name, d in read_profile_text(text).profile.devices.items()}


def problems(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "kiln.yaml")
    return "\n".join(str(problem) for problem in caught.value.problems)


def test_without_a_word_what_reports_is_proven_by_report_and_a_dial_by_hand() -> None:
    found = proofs(BASE)
    assert found == {"kiln-plug": "report", "key": "report", "strip": "none", "rim": "hand"}
    assert proofs(changed(RIM, RIM + ", proof: watts"))["rim"] == "watts"


@pytest.mark.parametrize("proof", ["watts", "picture", "hand", "none"])
def test_what_is_only_told_may_be_so_where_its_device_says_how_else_it_is_known(proof: str) -> None:
    found = read_profile_text(changed(NONE, f"draws: 12 W, proof: {proof}")).profile
    assert found.devices["strip"].proof == proof
    assert found.devices["strip"].mute == {"level"}
    assert found.devices["key"].mute == frozenset()


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        (", proof: none", "", "15:5", "say at 'strip' how else it is known"),
        ("proof: none", "proof: report", "19:89", "'strip' is told level and never says so"),
        ("proof: none", "proof: feeling", "19:89", "report"),
        ("draws: 12 W, proof: none", "proof: watts", "19:76", "what 'strip' draws is not known"),
        (RIM, RIM + ", proof: report", "20:61", "'rim' speaks nothing, so it cannot report"),
        (
            RIM,
            "rim: {kind: light, fed_by: wall, draws: 15 W, proof: watts",
            "20:56",
            "no plug above 'rim' meters",
        ),
        (
            "  rim:",
            "  wax: {kind: display, fed_by: kiln-plug, speaks: deaf, at: kiln/w}\n  rim:",
            "15:5",
            "only lights and backdrops can do without, and 'wax' is a display",
        ),
        (
            "  rim:",
            "  wax: {kind: display, fed_by: kiln-plug, proof: hand}\n  rim:",
            "20:50",
            "'wax' is no light: hand cannot prove it",
        ),
    ],
)
def test_what_could_never_be_proven_is_an_error_that_says_where(
    old: str, new: str, where: str, what: str
) -> None:
    found = problems(changed(old, new))
    assert any(f"kiln.yaml:{where}" in line and what in line for line in found.splitlines()), found


def test_a_dialect_that_is_only_told_and_that_nobody_speaks_is_still_an_error() -> None:
    text = changed(
        f"  strip: {{kind: light, fed_by: kiln-plug, speaks: deaf, at: kiln/s, {NONE}}}\n", ""
    )
    assert "say at each device that speaks it" in problems(
        text.replace(" strip: {level: 40 %},", "")
    )


def test_a_light_that_reports_is_told_that_its_proof_is_never_asked() -> None:
    text = changed("speaks: panel, at: kiln/k", "speaks: panel, at: kiln/k, proof: hand")
    warnings = [str(warning) for warning in read_profile_text(text).warnings]
    assert any("'key' reports, and is believed by its reports alone" in w for w in warnings)


AMP = "  amp: {kind: amp, fed_by: amp-plug, proof: watts, standby: 0.8 W}\n"
AMP_PLUG = "  amp-plug: {kind: plug, fed_by: wall, speaks: relay, at: kiln/a, meters: yes}\n"


def test_a_thing_with_a_button_is_on_by_the_watts_of_a_plug_of_its_own() -> None:
    assert proofs(changed("  rim:", AMP_PLUG + AMP + "  rim:"))["amp"] == "watts"


@pytest.mark.parametrize(
    ("amp", "what"),
    [
        (AMP.replace("fed_by: amp-plug", "fed_by: wall"), "the plug that feeds 'amp' does not met"),
        (AMP.replace(", standby: 0.8 W", ""), "what 'amp' draws when it is off is not known"),
        (AMP.replace("kind: amp", "kind: charger"), "'amp' is a charger: watts prove only"),
        (AMP.replace("amp-plug", "kiln-plug"), "'kiln-plug' feeds 'key' too"),
    ],
)
def test_watts_that_could_not_say_that_it_is_on_are_an_error(amp: str, what: str) -> None:
    assert what in problems(changed("  rim:", AMP_PLUG + amp + "  rim:"))
