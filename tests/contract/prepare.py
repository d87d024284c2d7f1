"""Build the servers of others where what they need is there; say plainly which tests are skipped where it is not."""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).parent


def main() -> int:
    """0 where the tests can run or may be skipped; 1 where they are required and cannot run."""
    return max(prepared("server", ("java", "mvn")), prepared("second_server", ("node", "npm")))


def prepared(folder: str, tools: Sequence[str]) -> int:
    """Run the build of a server's folder where its tools are there."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if missing:
        wanted = os.environ.get("WAYKEEPER_REQUIRE_REAL_SERVER") == "1"
        verdict = "and this run requires them" if wanted else f"so the tests against contract/{folder} are SKIPPED"
        print(f"{' and '.join(missing)} not found, {verdict}", file=sys.stderr)
        return 1 if wanted else 0
    return subprocess.run(["sh", str(HERE / folder / "build.sh")], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
