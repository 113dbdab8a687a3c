"""What is meant for the one who measures, and not for the client."""


def for_author(text: str) -> bool:
    """Whether a sentence says what to write in house.toml, or which command to give."""
    return "house.toml" in text or "homeenergy" in text
