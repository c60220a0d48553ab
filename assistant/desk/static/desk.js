// Draws visits as they are spoken. Text from a journal only ever becomes a text node.
"use strict";

const place = document.getElementById("live");
const nobody = document.getElementById("nobody");
const link = document.getElementById("link");
const mould = document.getElementById("card");
const visits = new Map(); // key -> {card, count, readings, step}
const MARKS = { pass: "✓", fail: "✕", close: "≈" };
const WORDS = { pass: "good", fail: "not good", close: "too close to call" };
const POWER = { on: "power on", said_off: "said to be off", dead: "proven dead", doubt: "off before a break, not sure now" };
const UNITS = {
  ac_volts: [["V", 1, 1]], dc_volts: [["V", 1, 1]], hertz: [["Hz", 1, 1]], ac_amps: [["A", 1, 2]],
  ohms: [["MΩ", 1e6, 2], ["kΩ", 1e3, 2], ["Ω", 1, 2]],
  dc_amps: [["A", 1, 2], ["mA", 1e-3, 2], ["µA", 1e-6, 2]],
};

function shown(value, quantity) {
  if (typeof value !== "number") return value === undefined || value === null ? "–" : String(value);
  const scales = UNITS[quantity] || [["", 1, 2]];
  const [unit, size, places] = scales.find(([, least]) => Math.abs(value) >= least) || scales[scales.length - 1];
  return `${(value / size).toFixed(places)} ${unit}`;
}

function make(tag, kind, text) {
  const element = document.createElement(tag);
  if (kind) element.className = kind;
  if (text !== undefined) element.textContent = text;
  return element;
}

function begin(key) {
  const card = mould.content.firstElementChild.cloneNode(true);
  card.dataset.key = key;
  place.prepend(card);
  const one = { card, count: 0, readings: new Map(), dangers: new Map(), talk: card.querySelector(".talk") };
  visits.set(key, one);
  return one;
}

function speak(one, kind, text) {
  const near = one.talk.scrollHeight - one.talk.scrollTop - one.talk.clientHeight < 60;
  one.talk.append(make("p", kind, text));
  while (one.talk.children.length > 60) one.talk.firstElementChild.remove();
  if (near) one.talk.scrollTop = one.talk.scrollHeight;
}

const DRAW = {
  visit(one, event) {
    one.card.querySelector("h2").textContent = event.site || "Place not named";
    one.card.querySelector(".who").textContent = [event.technician || "not named", event.equipment_name || event.equipment, event.invented ? "invented" : ""].filter(Boolean).join(" · ");
    power(one, "on");
  },
  said(one, event) {
    if (event.role === "step") one.card.querySelector(".step").textContent = event.text;
    speak(one, `ours ${/^[a-z]+$/.test(event.role) ? event.role : ""}`, event.text);
  },
  heard(one, event) { speak(one, "theirs", event.text || "(nothing made out)"); },
  power(one, event) { power(one, event.state); },
  reading(one, event) {
    const item = make("li", "none");
    item.append(make("span", "title", event.check_title || event.step), make("b", "", shown(event.value, event.quantity)), make("span", "verdict-word", ""));
    one.card.querySelector(".readings").append(item);
    one.readings.set(event.step, item);
  },
  verdict(one, event) {
    const item = one.readings.get(event.step);
    if (!item || !MARKS[event.outcome]) return;
    item.className = event.outcome;
    item.querySelector(".verdict-word").textContent = `${MARKS[event.outcome]} ${WORDS[event.outcome]}`;
  },
  retaken(one, event) {
    const item = one.readings.get(event.step);
    if (item) item.classList.add("old");
  },
  skipped(one, event) { speak(one, "note", `Skipped: ${event.step}`); },
  fix(one, event) {
    const item = one.readings.get(event.step);
    if (item) item.querySelector(".verdict-word").append(", before the fix");
    speak(one, "note", `Stopped to mend: ${event.step}`);
  },
  safety(one, event) {
    const key = `${event.step}/${event.finding}`;
    if (event.stands === false) one.dangers.delete(key);
    else one.dangers.set(key, event.text || String(event.finding));
    const plate = one.card.querySelector(".danger");
    plate.textContent = [...one.dangers.values()].join(" ");
    plate.hidden = one.dangers.size === 0;
    one.card.classList.toggle("at-risk", one.dangers.size > 0);
  },
  memo(one) { speak(one, "note", "Voice memo kept"); },
  trouble(one, event) { speak(one, "ours alarm", event.problem || ""); },
  alarm(one) { one.card.classList.add("gas"); one.card.querySelector(".step").textContent = "Gas was smelled. The visit is broken off."; },
  end(one, event) {
    one.card.classList.add("ended");
    one.card.querySelector(".step").textContent = event.summary || `The visit ended: ${event.how}.`;
    const more = make("a", "button", "Open the visit");
    more.href = `/visit/${encodeURIComponent(one.name)}`;
    one.card.querySelector("footer").replaceChildren(more);
  },
};

function power(one, state) {
  const plate = one.card.querySelector(".power");
  plate.textContent = POWER[state] || String(state);
  plate.className = `power ${POWER[state] ? state : ""}`;
}

function lines(key, count, events) {
  const one = visits.get(key) || begin(key);
  for (const event of events) {
    if (event.kind === "visit") one.name = event.visit;
    if (Object.hasOwn(DRAW, event.kind)) DRAW[event.kind](one, event);
  }
  one.count = count;
  one.card.dataset.count = count;
}

function tidy() { nobody.hidden = visits.size > 0; }

const source = new EventSource("/api/live");
source.onopen = () => { link.textContent = "live"; link.className = "link on"; };
source.onerror = () => {
  link.textContent = source.readyState === EventSource.CLOSED ? "signed out: open the page again" : "connection lost, trying again";
  link.className = "link off";
};
source.onmessage = (message) => {
  const data = JSON.parse(message.data);
  if (data.what === "all") {
    visits.clear();
    place.replaceChildren();
    for (const one of data.visits) lines(one.key, one.count, one.events);
  } else if (data.what === "gone") {
    const one = visits.get(data.key);
    if (one) one.card.remove();
    visits.delete(data.key);
  } else {
    lines(data.key, data.count, data.events);
  }
  tidy();
};
