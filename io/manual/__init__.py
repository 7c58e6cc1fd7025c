"""The manual: pages of Markdown in this folder, and the reference that the code itself gives.

Read ``topics``, then ``reference``.
"""

from oretally.io.manual.page import manual_page, manual_style
from oretally.io.manual.terminal import contents_text, topic_text
from oretally.io.manual.topics import GENERATED, Topic, topic_of, topics

__all__ = [
    "GENERATED",
    "Topic",
    "contents_text",
    "manual_page",
    "manual_style",
    "topic_of",
    "topic_text",
    "topics",
]
