// What the pages compute by themselves: times in the zone of the site, units, words. Run by npm test.
import assert from "node:assert/strict";
import { test } from "node:test";
import { fileURLToPath } from "node:url";
import { build } from "esbuild";

async function load(name) {
  const path = fileURLToPath(new URL(`../src/${name}.ts`, import.meta.url));
  const { outputFiles } = await build({ entryPoints: [path], bundle: true, format: "esm", write: false });
  return import("data:text/javascript;base64," + Buffer.from(outputFiles[0].text).toString("base64"));
}
const time = await load("time"),
  units = await load("units"),
  words = await load("words");
const utc = Date.parse;

test("a local time is the instant at which the clocks of the zone show it", () => {
  const cases = [
    ["Europe/Lisbon", "2026-07-14T13:00", "2026-07-14T12:00Z"],
    ["Europe/Lisbon", "2026-01-14T13:00", "2026-01-14T13:00Z"],
    ["Europe/Lisbon", "2026-10-25T01:30", "2026-10-25T00:30Z"], // shown twice: the first of the two
    ["America/St_Johns", "2026-07-14T00:15", "2026-07-14T02:45Z"],
    ["Australia/Lord_Howe", "2026-01-01T00:00", "2025-12-31T13:00Z"],
    ["Asia/Kathmandu", "2026-01-01", "2025-12-31T18:15Z"],
  ];
  for (const [zone, text, at] of cases) assert.equal(time.fromInput(zone, text), utc(at), `${zone} ${text}`);
  assert.ok(Number.isNaN(time.fromInput("UTC", "")));
});

test("times all through a year come back from its local form, but for the hours shown twice", () => {
  for (const zone of ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"]) {
    for (let at = utc("2026-01-01T00:00Z"), end = utc("2027-01-01T00:00Z"); at < end; at += 900e3 * 7) {
      const back = time.fromInput(zone, time.toInput(zone, at));
      assert.ok(back === at || at - back === 3600e3 || at - back === 1800e3, `${zone} ${new Date(at).toISOString()}`);
    }
  }
});

test("a week before nine in the morning is nine in the morning", () => {
  const after = time.fromInput("Europe/Lisbon", "2026-03-31T09:00"),
    before = time.daysBefore("Europe/Lisbon", after, 7);
  assert.equal(time.toInput("Europe/Lisbon", before), "2026-03-24T09:00");
  assert.equal(after - before, 7 * 86400e3 - 3600e3); // the week of the change is an hour short
});

test("lengths are said in at most two units", () => {
  for (const [seconds, text] of [
    [0, "0 s"],
    [59.4, "59 s"],
    [60, "1 min"],
    [3599, "1 h"],
    [3660, "1 h 1 min"],
    [47.5 * 3600, "47 h 30 min"],
    [49 * 3600, "2 d 1 h"],
    [7 * 86400, "7 d"],
  ]) {
    assert.equal(time.lasting(seconds), text);
  }
});

test("values are rounded as everywhere in dewline: what lies in the middle goes to the even digit", () => {
  assert.equal(units.figure("air-temperature", "Cel", 29.25), "29.2");
  assert.equal(units.figure("air-temperature", "Cel", 29.75), "29.8");
  assert.equal(units.figure("air-temperature", "Cel", 0.15), "0.1"); // no middle: 0.15 is a little less in binary
  assert.equal(units.figure("air-temperature", "Cel", -0.04), "0.0");
  assert.equal(units.figure("air-temperature", "degF", -40), "−40.0");
  assert.equal(units.withUnit("water-temperature", "degF", 200 / 9), "72.0 °F");
  assert.equal(units.withUnit("vapour-pressure-deficit", "degF", 1234), "1.23 kPa");
  assert.equal(units.withUnit("pressure", "Cel", 101325), "1013.2 hPa");
  assert.equal(units.withUnit("condensation-margin", "degF", 1), "1.8 °F");
  assert.equal(units.withUnit("dew-point", "Cel", null), "not known");
});

test("what is foreseen is said by the time that is left", () => {
  const at = utc("2026-07-14T13:00Z"),
    said = (expected) => words.expectedText({ expected }, at);
  const span = { at: "2026-07-14T13:40Z", from: "2026-07-14T13:25Z", to: "2026-07-14T13:55Z" };
  assert.equal(said(undefined), "");
  assert.equal(said({ limit: "critical-high", ...span }), "critical in 25–55 min");
  assert.equal(said({ limit: "low", ...span, from: "2026-07-14T12:59Z" }), "too low within 55 min");
  assert.equal(said({ limit: "high", ...span, from: "2026-07-14T12:10Z", to: "2026-07-14T12:50Z" }), "too high at any moment");
  assert.equal(said({ limit: "high", at: span.at }), "too high in about 40 min");
  assert.equal(said({ limit: "high", at: "2026-07-14T12:59Z" }), "too high at any moment");
  const rising = { expected: { limit: "critical-high", ...span } };
  assert.equal(words.expectedText(rising, at, [{ limit: "high" }]), "critical in 25–55 min");
  assert.equal(words.expectedText(rising, at, [{ limit: "critical-high" }]), "", "it is there");
});

test("reasons are put into words", () => {
  assert.equal(words.plainReason("covered by loft/air-temperature/critical-high"), "covered by loft, air temperature: critically high");
  assert.equal(words.plainReason("no usable reading for 2m0s"), "no usable reading for 2 min");
  assert.equal(words.plainReason("within 1h0m0s or 1h30m0s"), "within 1 h or 1 h 30 min");
  assert.equal(words.alarmTitle("sensor/tub-7-probe/fault"), "tub-7-probe: sensor fault");
  assert.equal(words.alarmTitle("sensor/loft-air/humidity/fault"), "loft-air: humidity cannot be believed");
});

test("excursions are stretches of columns beyond a limit, which a gap ends", async () => {
  const { excursionsOf } = await load("beyond");
  const trend = {
    t: [50, 150, 250, 350, 450, 550],
    mean: [1, 5, 5, null, 5, 1],
    max: [1, 6, 9, null, 7, 2],
    min: [0, 4, 4, null, 4, 0],
    highest: { at: "1970-01-01T00:04:03Z", value: 9 },
    lowest: null,
  };
  const range = { from: 0, to: 600e3 };
  const found = excursionsOf(trend, 100e3, range, "above", 5);
  assert.deepEqual(
    found.map((e) => [e.from, e.to, e.worst, e.at]),
    [
      [100e3, 300e3, 9, 243e3],
      [400e3, 500e3, 7, 450e3],
    ],
  );
  assert.equal(excursionsOf(trend, 100e3, range, "below", 0).length, 0);
  assert.equal(excursionsOf(trend, 100e3, range, "below", 0.5).length, 2);
});

test("what was typed in a shown unit comes back from its canonical one", () => {
  for (const [q, t, v] of [
    ["water-temperature", "degF", 78],
    ["water-temperature", "Cel", 25.5],
    ["condensation-margin", "degF", 4],
    ["pressure", "Cel", 1013],
    ["relative-humidity", "Cel", 80],
  ])
    assert.ok(Math.abs(units.convert(q, t, units.fromShown(q, t, v)) - v) < 1e-9, q);
});

test("an alarm names what it affects once each", () => {
  const names = ["tub-1/water-temperature/high", "tub-1/water-temperature/critical-high", "tub-2"];
  assert.equal(words.alsoText({ names }), "Also affects tub-1, tub-2");
  assert.equal(words.alsoText({}), "");
});
