"""Whether the folder of a Vosk model is whole."""

from __future__ import annotations

from pathlib import Path

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
