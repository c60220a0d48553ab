"""A Vosk model folder: whether it is whole, and loading it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from assistant.errors import EngineError, MissingLibrary

NEEDED = ("am/final.mdl", "conf/mfcc.conf", "graph/HCLr.fst", "graph/Gr.fst")
"""Files of a model whose vocabulary can be restricted."""


def model_problem(folder: Path) -> str:
    """What a model folder lacks for restricting its vocabulary, as one sentence; "" when nothing."""
    if not folder.is_dir():
        return f"There is no model folder {folder}."
    lacking = [name for name in NEEDED if not (folder / name).is_file()]
    if not lacking:
        return ""
    if lacking == ["graph/HCLr.fst", "graph/Gr.fst"] and (folder / "graph/HCLG.fst").is_file():
        return f"The model {folder.name} has a fixed vocabulary."
    return f"The model {folder.name} is not whole: {lacking[0]} is missing."


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
