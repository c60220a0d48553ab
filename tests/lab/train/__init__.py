"""Train a small speech model in Vosk's own format: voices in, a model folder out.

The steps are commands: `synthesise`, `train`, `export`, `measure`. They need
the extra `twohands[train]`; see README.md beside this file.
"""
