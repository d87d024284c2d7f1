"""The stories of a push, told on every server."""

import pytest

from contract.peers import Peer
from merge.stories import STORIES
from merge.worlds import Live
from waykeeper.exchange import Server
from waykeeper.exchange.trial import trial

FORMS: dict[str, str] = {}


def form_of(peer: Peer) -> str:
    """How this server creates without overwriting, found out once."""
    if peer.base not in FORMS:
        proven = trial(Server(peer.base))
        assert proven.extensions
        FORMS[peer.base] = proven.form
    return FORMS[peer.base]


@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.__name__)
def test_story(story, any_server):
    story(Live(any_server.base, form_of(any_server)))
