"""The stories of a push, told in memory."""

import pytest

from merge.stories import STORIES
from merge.worlds import Memory


@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.__name__)
def test_story(story):
    story(Memory())
