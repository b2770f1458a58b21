"""`python -m studiobridge.panel.texts`: what each catalogue lacks; exit code 1 where one does.

With a tag (`… texts fr`) an entry for each missing text is printed, to be filled in.
"""

from __future__ import annotations

import sys
from pathlib import Path

import polib  # type: ignore[import-untyped]

from studiobridge.panel.texts.collecting import collected, wrong_in


def main() -> int:
    texts = collected()
    folder = Path(__file__).parent
    if len(sys.argv) > 1:
        path = folder / f"{sys.argv[1]}.po"
        had = polib.pofile(str(path), encoding="utf-8") if path.exists() else polib.POFile()
        known = {(e.msgctxt or "", e.msgid) for e in had if not e.obsolete}
        for (sense, text), found in texts.items():
            if (sense, text) not in known:
                entry = polib.POEntry(msgid=text, msgctxt=sense or None)
                if found.plural:
                    entry.msgid_plural, entry.msgstr_plural = found.plural, {0: "", 1: ""}
                entry.comment = " ".join(found.where[:3])
                print(entry)
        return 0
    wrong = 0
    for path in sorted(folder.glob("*.po")):
        lines = wrong_in(polib.pofile(str(path), encoding="utf-8"), texts)
        wrong += len(lines)
        for line in lines:
            print(f"{path.name} {line}")
    print(f"{len(texts)} texts, {wrong} to mend")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
