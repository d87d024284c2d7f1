"""Findings that hang on several sources at once, or on a server's faults, as the commands tell them."""

from __future__ import annotations

import json
import socket
import threading

import pytest
import requests

from merge.small import compiled, new_identifier
from waykeeper.cli.main import main
from waykeeper.exchange import BadAnswerError, CannotSendError, Server
from waykeeper.exchange.versions import _kept
from waykeeper.fhir import bundle
from waykeeper.plan.model import Identifier

MRN = "https://alder-quay.example/mrn"
MAPPING = (
    f"mapping: m\nzone: America/Chicago\nsystems: {{patient: '{MRN}', booking: 'https://alder-quay.example/bookings'}}\n"
    "status: {x: booked}\n"
    "csv: {date: '%Y-%m-%d', columns: {patient: who, date: day, status: state, booking: number}}\n"
)
BOOKED = {
    "resourceType": "Appointment",
    "id": "a1",
    "status": "booked",
    "identifier": [{"system": "https://alder-quay.example/bookings", "value": "B1"}],
    "start": "2026-04-01T10:00:00-05:00",
    "end": "2026-04-01T10:20:00-05:00",
    "participant": [{"actor": {"identifier": {"system": MRN, "value": "001001"}}, "status": "accepted"}],
}


def listed(tmp_path, capsys, *more, plans=((MRN, "001001"),)):
    """The gaps of these plans beside what else is given; the exit code, what is printed and what is said."""
    for number, (system, value) in enumerate(plans):
        made = bundle(compiled(Identifier(system, value)))
        (tmp_path / f"{number}.json").write_text(json.dumps(made))
    sources = [part for n in range(len(plans)) for part in ("--from", str(tmp_path / f"{n}.json"))]
    code = main(["gaps", *sources, *more, "--as-of", "2026-06-26"])
    said = capsys.readouterr()
    return code, said.out, said.err


def csv_of(tmp_path, row):
    (tmp_path / "m.yaml").write_text(MAPPING)
    (tmp_path / "b.csv").write_text(f"who,day,state,number\n{row}\n")
    return "--from", str(tmp_path / "b.csv"), "--mapping", str(tmp_path / "m.yaml")


def test_one_booking_of_which_two_sources_say_different_days(tmp_path, capsys):
    (tmp_path / "a1.json").write_text(json.dumps(BOOKED))
    more = csv_of(tmp_path, "001001,2026-04-02,x,B1")
    _, out, err = listed(tmp_path, capsys, "--from", str(tmp_path / "a1.json"), *more)
    assert "WKX409 error: b.csv#B1 and Appointment/a1 are one booking" in err
    assert "unclear (booked)" in out  # neither day counts


def test_a_number_without_its_zeros(tmp_path, capsys):
    _, out, err = listed(tmp_path, capsys, *csv_of(tmp_path, "1001,2026-04-02,x,B1"))
    assert "WKX426 warning: the patient's number is that of a patient with a plan but for the zeros" in err
    assert "b.csv#B1" in out  # listed, and joined to nobody


def test_a_number_of_an_operation_that_two_systems_know(tmp_path, capsys):
    (tmp_path / "list.csv").write_text("MRN,Date,Surgeon\n001001,2026-03-18,Dr. Amsel\n")
    plans = ((MRN, "001001"), ("https://elm-quay.example/mrn", "001001"))
    code, out, err = listed(tmp_path, capsys, "--theatre-list", str(tmp_path / "list.csv"), plans=plans)
    assert (code, out) == (2, "") and "WKX452 error: theatre list line 2 fits 2 patients" in err


def test_a_bundle_of_many_that_is_no_plan_is_told_and_the_rest_is_sent(url, tmp_path, capsys):
    whole, torn = bundle(compiled(new_identifier())), bundle(compiled(new_identifier()))
    next(e["resource"] for e in torn["entry"] if e["resource"]["resourceType"] == "Task")["code"] = 5
    for name, one in (("a", torn), ("b", whole)):
        (tmp_path / f"{name}.json").write_text(json.dumps(one))
    assert main(["push", str(tmp_path), "--to", url]) == 1
    said = "".join(capsys.readouterr())
    assert "a.json: WKX503 error: the bundle cannot be read as a plan" in said and "1 sent, 1 unreadable" in said


def test_a_server_without_histories():
    class Forgetful(Server):
        def bundle(self, document):
            return [{"response": {"status": "405"}} for _ in document["entry"]]

    plan = compiled(new_identifier())
    request = next(e["resource"] for e in bundle(plan)["entry"] if e["resource"]["resourceType"] == "ServiceRequest")
    with pytest.raises(BadAnswerError, match=r"WKX214.*keeps no history of ServiceRequest/1"):
        _kept(Forgetful("http://127.0.0.1:9/fhir"), [("ServiceRequest/1", request)], plan.episode)


def test_https_to_a_port_that_speaks_plain_http():
    """What the TLS of Python says where the answer is no TLS; a real port, as its words are not ours."""
    with socket.create_server(("127.0.0.1", 0)) as port:

        def answer():
            taken = port.accept()[0]
            taken.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
            taken.close()

        speaker = threading.Thread(target=answer, daemon=True)
        speaker.start()
        with pytest.raises(CannotSendError, match=r"WKX103.*does not speak https.*may speak plain http"):
            Server(f"https://127.0.0.1:{port.getsockname()[1]}/fhir").search("Patient", [], private=True)
        speaker.join(5)


def test_a_certificate_that_nobody_vouches_for(monkeypatch):
    def refused(*_, **__):
        raise requests.exceptions.SSLError("self-signed certificate")

    monkeypatch.setattr(requests.Session, "send", refused)
    with pytest.raises(CannotSendError, match=r"WKX104.*the certificate of fhir\.example, or ours, is not accepted"):
        Server("https://fhir.example/r4").search("Patient", [("identifier", f"{MRN}|1")], private=True)
