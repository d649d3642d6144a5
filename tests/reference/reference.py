"""What the checks share: asking the Rust side, counting comparisons, ending with a verdict.

Every check_*.py computes figures with packages that have nothing to do with pourbook and
compares them with what the `reference` example of the analysis crate prints.
"""

import json
import math
import os
import pathlib
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
PUBLISHED = ROOT / "sample-data" / "published"


def binary():
    """The built example. POURBOOK_REFERENCE names one; else it is built (nothing to do when it
    is up to date). The whole workspace is selected so that dependencies are built with the same
    features as everywhere else."""
    given = os.environ.get("POURBOOK_REFERENCE")
    if given:
        return pathlib.Path(given)
    subprocess.run(
        ["cargo", "build", "--quiet", "--release", "--workspace", "--example", "reference"],
        cwd=ROOT,
        check=True,
    )
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return target / "release" / "examples" / "reference"


def ask(*words):
    """What the Rust side answers."""
    done = subprocess.run(
        [str(binary()), *map(str, words)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        sys.exit(f"reference {' '.join(map(str, words))}: {done.stderr.strip()}")
    return json.loads(done.stdout)


class Check:
    """Counts comparisons; `done` prints the count and exits non-zero on any difference, or
    when fewer were made than expected, so that an empty comparison cannot pass."""

    def __init__(self):
        self.made = 0
        self.failed = []

    def near(self, what, ours, theirs, *, rel=0.0, abs_=0.0):
        self.made += 1
        if ours is None or theirs is None or not math.isfinite(ours):
            self.failed.append(f"{what}: ours {ours}, theirs {theirs}")
        elif abs(ours - theirs) > max(abs_, rel * abs(theirs)):
            self.failed.append(
                f"{what}: ours {ours!r}, theirs {theirs!r}, off by {ours - theirs:.3g}"
            )

    def same(self, what, ours, theirs):
        self.made += 1
        if ours != theirs:
            self.failed.append(f"{what}: ours {ours!r}, theirs {theirs!r}")

    def done(self, at_least):
        for line in self.failed[:20]:
            print(line, file=sys.stderr)
        if self.made < at_least:
            print(f"only {self.made} comparisons, {at_least} expected", file=sys.stderr)
        print(f"{self.made} comparisons, {len(self.failed)} differ")
        sys.exit(1 if self.failed or self.made < at_least else 0)
