"""Loading a Vosk model."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from assistant.errors import EngineError, MissingLibrary
from assistant.models.proven import load_problem
from assistant.models.whole import model_problem


def load_model(folder: Path) -> Any:
    """A loaded Vosk model. Raises EngineError, MissingLibrary."""
    problem = model_problem(folder)
    if problem:
        raise EngineError(problem, "Use a whole small model; `twohands model list` names them.")
    try:
        import vosk
    except (ImportError, OSError) as error:
        raise MissingLibrary(f"The recogniser Vosk cannot be loaded ({error}).", "pip install vosk") from error
    vosk.SetLogLevel(-1)
    try:
        # A damaged file can end the process that loads it: that is found out in another one.
        problem = load_problem(folder)
    except OSError as error:
        problem = f"The model {folder.name} cannot be read ({error.strerror})."
    if problem:
        raise EngineError(problem, "Remove the model and fetch it again.")
    try:
        return vosk.Model(str(folder))
    except Exception as error:  # vosk raises nothing finer
        raise EngineError(
            f"Vosk cannot load the model {folder.name}.", "Remove the model and fetch it again."
        ) from error


def new_recogniser(model: Any, folder: Path, rate: int, alternatives: int) -> Any:
    """One Vosk recogniser on a loaded model. alternatives: how many texts it gives, 0 for words with confidences.

    Raises EngineError.
    """
    import vosk

    try:
        recogniser = vosk.KaldiRecognizer(model, rate)
    except Exception as error:  # vosk raises nothing finer
        raise EngineError(
            f"Vosk cannot use the model {folder.name} ({error}).", "Remove the model and fetch it again."
        ) from error
    recogniser.SetWords(True)
    recogniser.SetMaxAlternatives(alternatives)
    return recogniser
