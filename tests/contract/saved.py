"""What a running server has of one patient, as a file: a list of that patient alone, however many others are there."""

import json

from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources


def saved(base, identifier, folder):
    """The path of a Bundle that holds what the server has of the patient's plans and all that they are laid beside."""
    found = plan_resources(Server(base), identifier)
    entries = [{"fullUrl": f"{base}/{reference}", "resource": resource} for reference, resource in found]
    path = folder / "of-one-patient.json"
    path.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}), "utf-8")
    return str(path)
