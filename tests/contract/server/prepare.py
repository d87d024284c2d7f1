"""Build the real server where Java and Maven are there; say plainly that its tests are skipped where they are not."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent


def main() -> int:
    """0 where the tests can run or may be skipped; 1 where they are required and cannot run."""
    missing = [tool for tool in ("java", "mvn") if shutil.which(tool) is None]
    if missing:
        wanted = os.environ.get("WAYKEEPER_REQUIRE_REAL_SERVER") == "1"
        verdict = "and this run requires them" if wanted else "so the tests against the real FHIR server are SKIPPED"
        print(f"{' and '.join(missing)} not found, {verdict}", file=sys.stderr)
        return 1 if wanted else 0
    return subprocess.run(["sh", str(HERE / "build.sh")], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
