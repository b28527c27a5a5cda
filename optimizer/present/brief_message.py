"""A brief as a message for a chat, in Markdown."""

from __future__ import annotations

import re

from optimizer.present.brief import Brief
from optimizer.present.cautions import IN_CHAT

SHOWN = ("first", "doubt", "why", "feel", "sure", "cost", "lost", "wrong")
MARKUP = re.compile(r"([\\`*_{}\[\]<>#|~!])")


def message(brief: Brief) -> str:
    """The change, how sure, what it costs and what would prove it wrong; the stamp last."""
    lines = [f"**{plain(brief.title)}**", "", plain(brief.sentence), ""]
    for section in brief.sections:
        if section.key in SHOWN:
            said = " ".join(
                plain(words if words.endswith(".") else f"{words}.") for words in section.paragraphs
            )
            lines.append(f"- **{section.heading}**: {said}")
    lines += [f"- **Careful**: {IN_CHAT}", "", f"_{plain(', '.join(brief.stamp))}_"]
    return "\n".join(lines)


def plain(text: str) -> str:
    """Text that no chat takes for markup, on one line: a line's beginning would be some."""
    return MARKUP.sub(r"\\\1", " ".join(text.splitlines()))
