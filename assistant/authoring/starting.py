"""A new procedure from the template that ships."""

from __future__ import annotations

import re
from pathlib import Path

from assistant.authoring.errors import AuthoringError

TEMPLATE = Path(__file__).with_name("template.yaml")
PLACEHOLDER = "my_procedure"


def start(name: str, folder: Path) -> Path:
    """Write `folder`/`name`.yaml from the template. Raises AuthoringError for a bad name or a file that is there."""
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
        raise AuthoringError(
            f"'{name}' cannot be the name of a procedure.",
            "Begin with a small letter; small letters, digits and _ may follow.",
        )
    path = folder / f"{name}.yaml"
    text = TEMPLATE.read_text(encoding="utf-8").replace(PLACEHOLDER, name)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise AuthoringError(f"{path} is there already.", "Choose another name, or move the file away.") from None
    except OSError as error:
        raise AuthoringError(
            f"{path} cannot be written ({error.strerror}).", "Choose another folder with --into."
        ) from error
    return path
