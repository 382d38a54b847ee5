"""Freeze what the commands answer, and compare later answers with it, to the last digit.

`--write` runs all cases and stores their answers in answers.json beside this file.
`--compare` runs them again, prints each key that differs, and ends with status 1 where
one does; with `--within-u`, differences that are small beside the stated uncertainty
are counted apart. `--case NAME` takes one case (and what it reads) alone.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import math
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# As the command has it: many threads add up in another order, and round otherwise.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from cases import CASES, make_files

STORED = Path(__file__).with_name("answers.json")
ROOT = Path(__file__).parents[2]

TIMES = frozenset({"made"})
"""Keys that say when something was made: left out."""

SHARE_OF_U = 0.05
"""A search that places an echo otherwise, by so much of its standard uncertainty, is as good."""

STRENGTH_DB = 0.05
"""A level that differs by so little is the same to anyone who reads it."""

STRENGTH_SHARE = 10 ** (STRENGTH_DB / 20) - 1
"""The same as a share. A bound, and the noise's part of an uncertainty, go as one over the
echo's amplitude: they differ by this share where the strength differs by `STRENGTH_DB`."""


class Bench:
    """A folder in which cases run, each once, after those that they need."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._found: dict[str, Any] = {}
        make_files(folder)

    def answer(self, name: str) -> Any:
        """Run a case; return its exit status, its JSON, and the JSON file that it wrote."""
        if name not in self._found:
            case = CASES[name]
            if case.after:
                self.answer(case.after)
            with contextlib.chdir(self._folder):
                found = _said(case.words)
                if case.reads:
                    found["file"] = json.loads(Path(case.reads).read_text(encoding="utf-8"))
            self._found[name] = _lasting(found)
        return self._found[name]


def _said(words: tuple[str, ...]) -> dict[str, Any]:
    from rig.cli import main

    out, progress = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(progress):
        status = main([*words, "--json"])
    lines = out.getvalue().splitlines()
    if not lines:
        raise RuntimeError(f"echobench {' '.join(words)}: no answer; {progress.getvalue().strip()}")
    return {"status": status, "answer": json.loads(lines[-1])}


def _lasting(value: Any) -> Any:
    """Return an answer without times, and with each path reduced to its base name."""
    if isinstance(value, dict):
        return {key: _lasting(inner) for key, inner in value.items() if key not in TIMES}
    if isinstance(value, list):
        return [_lasting(inner) for inner in value]
    if isinstance(value, str) and os.sep in value and Path(value).suffix and " " not in value:
        return Path(value).name
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One key that differs, and by how much of what its uncertainty allows.

    Attributes
    ----------
    key : str
    old, new : Any
    share : float
        Of what may differ and say the same: up to 1 is within its uncertainty. Infinite
        where nothing may differ, as in words and counts.
    """

    key: str
    old: Any
    new: Any
    share: float = math.inf


Same = Callable[[str, float, float], bool]


def to_the_last_digit(_: str, old: float, new: float) -> bool:
    """Whether two numbers are one."""
    return old == new


def differences(
    old: Any, new: Any, *, same: Same = to_the_last_digit, key: str = "", near: float = 0.0
) -> Iterator[Difference]:
    """Find what differs; `near` is how far this number may be off within its uncertainty."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in sorted(old.keys() | new.keys()):
            inner = f"{key}.{name}" if key else name
            if name not in new or name not in old:
                yield Difference(key=inner, old=old.get(name, "-"), new=new.get(name, "-"))
            else:
                allowed = _allowed(old, name)
                yield from differences(old[name], new[name], same=same, key=inner, near=allowed)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield Difference(key=f"{key} (how many)", old=_told(old), new=_told(new))
        else:
            for place, (one, other) in enumerate(zip(old, new, strict=True)):
                yield from differences(one, other, same=same, key=f"{key}[{place}]", near=near)
    elif _is_number(old) and _is_number(new):
        if not same(key, old, new):
            share = abs(new - old) / near if near else math.inf
            yield Difference(key=key, old=old, new=new, share=share)
    elif old != new:
        yield Difference(key=key, old=old, new=new)


def _allowed(table: dict[str, Any], name: str) -> float:
    """Return by how much a number in a table may differ and say the same."""
    value = table[name]
    u = table.get(f"u_{name}")
    if _is_number(u):
        return SHARE_OF_U * float(u)
    if name in ("path_m", "delay_s") and _is_number(table.get("u_range_m")):
        # The same place in other words: a range is about half of the path.
        there_and_back = 2 * table["u_range_m"] / table["path_m"]
        return float(SHARE_OF_U * there_and_back * value)
    if name.endswith("_db") and not name.startswith("u_"):
        return STRENGTH_DB
    if name.startswith("u_") or name == "bound_m":
        return STRENGTH_SHARE * abs(value) if _is_number(value) else 0.0
    if name == "share":  # of a variance
        return 2 * STRENGTH_SHARE * float(value)
    return 0.0


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _told(listed: list[Any]) -> str:
    """Say how many there are and, of echoes, where."""
    at = [x["range_m"] for x in listed if isinstance(x, dict) and "range_m" in x]
    return f"{len(listed)}" + (f" at {', '.join(f'{r:.4f}' for r in at)} m" if at else "")


def stored() -> dict[str, Any]:
    """Read the frozen answers."""
    found: dict[str, Any] = json.loads(STORED.read_text(encoding="utf-8"))
    return found


def _answers(names: Iterable[str]) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        found = {}
        for name in names:
            start_s = time.monotonic()
            found[name] = bench.answer(name)
            print(f"{time.monotonic() - start_s:6.2f} s  {name}", file=sys.stderr, flush=True)
    return found


def _write(answers: dict[str, Any]) -> int:
    text = json.dumps(answers, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
    STORED.write_text(text, encoding="utf-8", newline="\n")
    print(f"{len(answers)} answers, {STORED.stat().st_size / 1000:.0f} kB, in {STORED}")
    return 0


def _compare(answers: dict[str, Any], *, within_u: bool) -> int:
    frozen = {name: answer for name, answer in stored().items() if name in answers}
    found = list(differences(frozen, answers))
    within = [d for d in found if within_u and d.share <= 1]
    beyond = [d for d in found if not (within_u and d.share <= 1)]
    for d in beyond:
        print(f"{d.key}\n    old {d.old!r}\n    new {d.new!r}")
    if within_u:
        print(f"{len(within)} numbers differ within their uncertainty")
    print(f"{len(beyond)} keys differ in {len(answers)} answers")
    return 1 if beyond else 0


def main() -> int:
    """Do what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    do = parser.add_mutually_exclusive_group(required=True)
    do.add_argument("--write", action="store_true", help="store the answers anew")
    do.add_argument("--compare", action="store_true", help="compare with those stored")
    parser.add_argument("--within-u", action="store_true", help="count small differences apart")
    parser.add_argument("--case", action="append", choices=CASES, metavar="NAME", help="this alone")
    given = parser.parse_args()
    if given.write and given.case:
        parser.error("--write: found with --case; all are written, or none")
    # The tree that this script stands in, whatever else is installed.
    sys.path.insert(0, str(ROOT))
    answers = _answers(given.case or CASES)
    return _write(answers) if given.write else _compare(answers, within_u=given.within_u)


if __name__ == "__main__":
    sys.exit(main())
