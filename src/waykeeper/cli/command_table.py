"""The commands and what the list of them says of each."""

from __future__ import annotations

# Name -> what the list of commands says. The command is the function of that name in `cli/commands/NAME.py` (dashes are
# underscores there); kept here too so that `--help` imports none of them.
COMMANDS = {
    "check": "Check pathway, overlay, clinic and rule files.",
    "pathways": "List the pathways, compare two, or print one for signature.",
    "compile": "Compile a pathway for one patient into a Bundle.",
    "validate": "Validate files as FHIR R4 (4.0.1).",
    "push": "Merge plans into a FHIR server.",
    "move": "Move surgery: one command re-dates a plan, and says whom to call.",
    "withdraw": "Take a plan back: surgery cancelled, transferred, died.",
    "history": "The versions of a plan, and what each changed.",
    "gaps": "Compare planned with actual: who missed what.",
    "medicines": "Which medicines pause, and the form to sign.",
    "issues": "Write the gaps to the server as DetectedIssue and Task.",
    "letters": "Letters and call scripts about the gaps.",
    "measures": "The month in figures, listed by case.",
    "note": "Record what a person decided or did.",
    "sheet": "The patient's dated sheet.",
    "calendar": "The patient's calendar (iCalendar).",
    "server": "What a server can do, and how that was found out.",
    "export": "Export a caseload from a server for gaps ($export).",
    "explain": "What a code means, or why an item has its date.",
    "sandbox": "Serve the embedded FHIR R4 server.",
    "demo": "Run the whole job for an invented patient.",
}
