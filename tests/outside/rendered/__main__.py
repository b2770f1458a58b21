"""Hold the light of sets against the witness: `python -m tests.outside.rendered --sets 10`.

Prints a table and ends with 1 where the house is beyond its bounds, or the two witnesses are
beyond noise of each other. `--bounce` adds what grey walls put on top at the face.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
from collections.abc import Iterable
from dataclasses import replace

from studiobridge.profile.model import SetProfile
from tests.outside.rendered import held, patches, pictures
from tests.outside.rendered.rooms import examples, look_of, random_set
from tests.outside.rendered.scenes import Cloth, Scene, scene_of

WALLS = (0.2, 0.5, 0.7)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=10, help="random sets besides the examples")
    parser.add_argument("--seed", type=int, default=0, help="of the first random set")
    parser.add_argument("--bounce", action="store_true", help="what walls add, a table of its own")
    asked = parser.parse_args()
    if not pictures.here():
        print(pictures.WHY_NOT)
        return 77
    sets = examples()
    sets.update({f"random-{s}": random_set(s) for s in range(asked.seed, asked.seed + asked.sets)})
    failed = table(row for name, profile in sets.items() for row in held.rows(profile, name))
    if asked.bounce:
        bounces(sets)
    return 1 if failed else 0


def table(rows: Iterable[held.Row]) -> int:
    print(f"{'':34}{'house':>11}{'integral':>11}{'rendered':>11}{'off':>9}{'bound':>8}  ")
    failed = 0
    worst: dict[str, held.Row] = {}
    for row in rows:
        failed += not row.holds
        seen = f"{row.rendered.value:11.3f}" if row.rendered else " " * 11
        print(
            f"{row.where:34}{row.house:11.3f}{row.patches:11.3f}{seen}"
            f"{row.off_in_words:>9}{row.bound_in_words:>8}  {row.what}"
            f"{'' if row.holds else '   BEYOND'}"
        )
        if row.what not in worst or abs(row.off) > abs(worst[row.what].off):
            worst[row.what] = row
    print()
    for what, row in worst.items():
        print(f"greatest difference: {row.off_in_words} at {row.where} ({what})")
    print(f"{failed} beyond their bounds")
    return failed


def bounces(sets: dict[str, SetProfile]) -> None:
    """What six walls of one grey add on the plane at the mark, in stops, for the set's own look.

    Rendered: cloths hang where they hang, lamps are black bodies. Integrated: empty walls.
    """
    print(f"\n{'stops that shut walls add':28}" + "".join(f"{f'{w:.0%}':>18}" for w in WALLS))
    every: dict[float, list[float]] = {w: [] for w in WALLS}
    for name, profile in sets.items():
        scene = scene_of(profile, look_of(profile))
        bare = replace(scene, cloths=())
        straight = sum(patches.at_mark(scene, p) for p in scene.panels)
        cells = []
        for white in WALLS:
            more = pictures.bounced(replace(scene, cloths=dark(scene)), white)
            rendered = math.log2(1.0 + more.value / straight)
            walls = math.log2(1.0 + patches.bounced(bare, white) / straight)
            every[white].append(rendered)
            cells.append(f"{rendered:9.2f} ({walls:.2f})")
        print(f"{name:28}" + "".join(f"{c:>18}" for c in cells))
    for word, of in (("least", min), ("median", statistics.median), ("most", max)):
        print(f"{word:28}" + "".join(f"{of(every[w]):18.2f}" for w in WALLS))


def dark(scene: Scene) -> tuple[Cloth, ...]:
    return tuple(replace(c, glow=0.0) for c in scene.cloths)


if __name__ == "__main__":
    sys.exit(main())
