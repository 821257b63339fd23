"""Whether something of what constraints.txt names has a known vulnerability: pip-audit, for ``make lint``.

    python -m tests.architecture.audit constraints.txt [words for pip-audit]

Exits 1 for a known vulnerability and for nothing else. Where the advisories can't be reached, or know
some package not at all, one line says what was not checked.
"""

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

WAITS_S = 25.0
_FEW = 5


def audit(
    constraints: str, more: Sequence[str] = (), *, waits_s: float = WAITS_S
) -> tuple[int, str]:
    """The exit code, and what to say."""
    names = [line for line in Path(constraints).read_text().splitlines() if "==" in line]
    told, why = _asked(constraints, more, waits_s)
    if told is None:
        listed = ", ".join(names)
        return 0, f"Known vulnerabilities: NOT CHECKED ({why}). What they depend on: {listed}"
    bad = [one for one in told if one.get("vulns")]
    skipped = [str(one["name"]) for one in told if "skip_reason" in one]
    if bad:
        lines = [
            f"{one['name']} {one['version']}: {vuln['id']} (mended in "
            f"{', '.join(vuln['fix_versions']) or 'no version yet'})"
            for one in bad
            for vuln in one["vulns"]
        ]
        return 1, "\n".join(["Known vulnerabilities:", *lines])
    checked = len(told) - len(skipped)
    if not checked:
        listed = ", ".join(names)
        return 0, f"Known vulnerabilities: NOT CHECKED (no advisories here). Depended on: {listed}"
    said = f"Known vulnerabilities: none in {checked} of {len(told)} packages."
    if skipped:
        rest = f" and {len(skipped) - _FEW} more" if len(skipped) > _FEW else ""
        said += f" NOT CHECKED: {', '.join(skipped[:_FEW])}{rest}."
    return 0, said


def _asked(
    constraints: str, more: Sequence[str], waits_s: float
) -> tuple[list[dict[str, Any]] | None, str]:
    """What pip-audit says of each package; None: nothing, and why."""
    command = [
        sys.executable, "-m", "pip_audit", "--requirement", constraints, "--no-deps",
        "--disable-pip", "--format", "json", "--progress-spinner", "off", "--timeout", "5", *more,
    ]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=waits_s, check=False)
    except subprocess.TimeoutExpired:
        return None, f"no answer within {waits_s:.0f} s"
    try:
        return list(json.loads(done.stdout)["dependencies"]), ""
    except (ValueError, KeyError):
        last = (done.stderr.strip().splitlines() or ["no word"])[-1]
        return None, last[:200]


if __name__ == "__main__":
    code, said = audit(sys.argv[1], sys.argv[2:])
    sys.stdout.write(f"{said}\n")
    sys.exit(code)
