"""The embedded server: a small FHIR R4 server on SQLite, for this machine only.

`waykeeper.sandbox(...)` is the command: help(waykeeper.verbs.sandbox) says what it takes.
"""

from waykeeper.callable_package import make_callable
from waykeeper.sandbox.app import create_app
from waykeeper.sandbox.loading import load_folder
from waykeeper.sandbox.service import Paging
from waykeeper.sandbox.serving import running, serve
from waykeeper.sandbox.store import Store

__all__ = ["Paging", "Store", "create_app", "load_folder", "running", "serve"]

make_callable(__name__, "waykeeper.verbs", "sandbox")  # waykeeper.sandbox(port=8080) is the command
