"""A whole visit in Spanish by keys, as on a machine that cannot hear it."""

from __future__ import annotations

import io

import pytest

from assistant.errors import LanguageNotHeard
from assistant.hearing.engines import choose
from assistant.visit.assemble import Sound, assemble
from assistant.visit.buttons import ButtonEars, keys_of, with_accents
from assistant.visit.journal import Journal, read
from assistant.visit.mouth import SilentMouth
from assistant.visit.plans import ready_plan, words_of
from assistant.visit.visit import Visit, opening
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.schema import load_procedure
from flows.procedure.session import Session
from flows.procedure.wording import spoken_lines
from flows.talk.dialogue import begin
from flows.talk.prompts import scope_for

TWICE = ["1", "s"]
"""An answer that is asked again in other words."""
START = ["1", "1", *TWICE, *TWICE, "1"]
"""The air, ready; meter on volts and power off, in either order; the covers."""
PROOF = ["119.5", "s", "0", "s", "0", "s", "0", "s", "119.4", "s"]
VISITS = {
    "flame_sensing": [
        *START,
        "1",
        "1",
        *TWICE,
        "119.6",
        "s",
        "119.7",
        "s",
        "0.1",
        "s",
        "24.4",
        "s",
        "95.1",
        "s",
        "88",
        "s",
        *TWICE,
        *PROOF,
        "1",
        "0.3",
        "s",
        "0.9",
        "s",
        "1",
        "1",
        "1",
        *TWICE,
        "1",
        "2.8",
        "s",
        "1",
        "s",
        *TWICE,
        "1",
        *TWICE,
        *TWICE,
        *TWICE,
        *TWICE,
        *TWICE,
        "1",
        *TWICE,
        "1",
        "1",
    ],
    "control_circuit_24v": [
        *START,
        "1",
        "1",
        "1",
        *TWICE,
        "26.1",
        "s",
        "0.02",
        "s",
        "0.01",
        "s",
        "0.02",
        "s",
        "25.8",
        "s",
        "1",
        "0.03",
        "s",
        *TWICE,
        *PROOF,
        "1",
        "0.2",
        "s",
        "1",
        "0.3",
        "s",
        *TWICE,
        *TWICE,
        "1",
        "1",
        "1",
        *TWICE,
        "1",
        "1",
    ],
    "igniter_check": [
        *START,
        *PROOF,
        "1",
        "0.2",
        "s",
        "1",
        "55.2",
        "s",
        "fuera de rango",
        "s",
        *TWICE,
        "1",
        "1",
        "1",
        "1",
        *TWICE,
        "4.2",
        "s",
        "1",
        *TWICE,
        "1",
        *TWICE,
        *TWICE,
        "1",
        "1",
        *TWICE,
        "1",
        "1",
    ],
}


def visited(name: str, typed: list[str], folder, reason: bool = False):
    plan = (
        ready_plan(name, "larkspur", "dunlin", "es")
        if reason
        else load_plan(name, equipment("larkspur"), meter("dunlin"), "es")
    )
    journal = Journal(folder)
    journal.write("visit", opening(plan, visit="v", engine="typed", voice="none", program="test", invented=True))
    shown: list[str] = []
    try:
        outcome = Visit(
            plan, ButtonEars(io.StringIO("\n".join(typed) + "\n"), shown.append), SilentMouth(), journal
        ).run(*begin(plan))
    finally:
        journal.close()
    return outcome, read(folder)[0], shown


@pytest.mark.parametrize("name", VISITS)
def test_a_visit_by_keys_runs_to_its_end(name, tmp_path):
    outcome, events, shown = visited(name, VISITS[name], tmp_path / "v", reason=name == "flame_sensing")
    assert outcome.how == "finished", [event for event in events if event["kind"] == "said"][-3:]
    kinds = load_procedure(name).kinds()
    assert all(place in kinds[thing].as_found for thing, place in outcome.session.things)
    assert outcome.session.power == "on" and outcome.session.safety == ()
    assert events[0]["language"] == "es"
    assert all(verdict.outcome == "pass" for _, verdict in outcome.session.verdicts)
    assert len(shown) == len(VISITS[name])


def test_nothing_english_is_said_in_it(tmp_path):
    _, events, _ = visited("flame_sensing", VISITS["flame_sensing"], tmp_path / "v", reason=True)
    said = [event["text"] for event in events if event["kind"] == "said"]
    english = set(spoken_lines("en").lines.values()) | {
        text for step in load_procedure("flame_sensing").steps.values() for text in step.say
    }
    assert not english & set(said)
    words = {word.strip(".,:;?¿¡").lower() for text in said for word in text.split()}
    assert not words & {"the", "and", "is", "it", "of", "volts", "next", "test", "no fault"}
    assert any(event["kind"] == "assessment" and "no veo ningún fallo" in event["sentence"].lower() for event in events)


def test_a_fault_is_named_in_spanish(tmp_path):
    """Line and secondary that add up are out of phase (common practice): the low volt wires are swapped."""
    typed = [*START, "1", "1", *TWICE, "119.6", "s", "119.7", "s", "0.1", "s", "24.4", "s", "143.9", "s"]
    _, events, _ = visited("flame_sensing", typed, tmp_path / "v", reason=True)
    said = " ".join(event["text"] for event in events if event["kind"] == "said")
    assert "los cables de baja al revés" in said
    assert "noventa y cinco punto dos voltios" in said


def test_gas_by_one_word_ends_the_visit(tmp_path):
    outcome, events, _ = visited("flame_sensing", ["1", "gas"], tmp_path / "v")
    assert outcome.how == "gas"
    assert any(
        event["text"].startswith("Sal ya. No toques ningún botón. Llama desde afuera.")
        for event in events
        if event["kind"] == "said"
    )


@pytest.fixture
def scope():
    plan = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"), "es")
    return lambda *where, **more: scope_for(plan, Session(*where, **more))


def test_the_second_key_is_another_than_the_first(scope):
    assert keys_of(scope("power_off")) == {"1": "desconecté el interruptor"}
    assert keys_of(scope("power_off", "again", pending_answer="opened")) == {"s": "todo quedó cortado", "n": "no"}


def test_digits_stay_readings_where_a_reading_is_asked(scope):
    assert keys_of(scope("supply")) == {"a": "salta este control"}
    assert keys_of(scope("supply", "confirm")) == {"s": "sí", "n": "no"}
    assert keys_of(scope("supply", "offer", outcome="fail")) == {
        "1": "vamos al que sigue",
        "2": "vuelvo a medir",
        "3": "lo arreglo ya",
    }


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("desconecte el interruptor", "desconecté el interruptor"),
        ("si", "sí"),
        ("por que", "por qué"),
        ("121.3", "121.3"),
        ("mas despacio", "más despacio"),
        ("qué llevo", "qué llevo"),
    ],
)
def test_accents_may_be_left_out(typed, meant, scope):
    where = scope("supply", "confirm") if typed == "si" else scope("power_off")
    assert with_accents(typed, where) == meant


def test_without_a_spanish_model_nothing_pretends_to_hear(tmp_path):
    with pytest.raises(LanguageNotHeard, match="No Vosk model for 'es' is there"):
        choose.plan(tmp_path, language="es")
    with pytest.raises(LanguageNotHeard, match="PocketSphinx hears English only"):
        choose.plan(tmp_path, "pocketsphinx", "es")
    assert choose.plan(tmp_path).engine == "vosk"


def test_it_is_said_at_the_start_that_keys_are_needed(capsys, monkeypatch, tmp_path):
    from contextlib import ExitStack

    monkeypatch.setenv("TWOHANDS_MODELS", str(tmp_path))
    plan = load_plan("igniter_check", equipment("larkspur"), meter("dunlin"), "es")
    with ExitStack() as stack:
        ears, _, about = assemble(stack, Sound(spoken=False), "es", words_of(plan))
    assert isinstance(ears, ButtonEars) and about["engine"] == "typed"
    assert "En español no te puedo oír. Contesta con el teclado" in capsys.readouterr().out


def test_run_speaks_spanish_and_resumes_in_it(tmp_path, capsys, monkeypatch):
    from assistant.cli import main

    def run(*words: str, typed: str) -> str:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        with pytest.raises(SystemExit):
            main(["run", "--procedure", "igniter_check", "--typed", "--visits", str(tmp_path), *words])
        return capsys.readouterr().out

    assert "Ahora huele el aire junto al horno" in run("--language", "es", typed="1\n")
    assert "Qué bien que has vuelto. Vamos a seguir en: Medidor y lugar." in run("--resume", typed="")
