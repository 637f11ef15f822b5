"""Runs the benchmarks (`bench_*.py`: ratios to a named peer measured in the same run) and calibrations
(`calibrate_*.py`: error rates over seeds, each writing its page beside it).

    python -m tests.benchmarks              all of them, the best part of an hour on two cores
    python -m tests.benchmarks wear books   those whose name holds one of the words
"""

import subprocess
import sys
from pathlib import Path


def main(words: list[str]) -> int:
    """Runs the scripts asked for; the exit code is the number that failed."""
    here = Path(__file__).parent
    scripts = [*sorted(here.glob("bench_*.py")), *sorted(here.glob("calibrate_*.py"))]
    chosen = [s for s in scripts if not words or any(w in s.stem for w in words)]
    if not chosen:
        print(f"no benchmark's name holds {' or '.join(words)}; there are {', '.join(s.stem for s in scripts)}")
        return 2
    failed = 0
    for script in chosen:
        print(f"\n## {script.stem}\n", flush=True)
        failed += subprocess.run([sys.executable, str(script)], check=False).returncode != 0
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
