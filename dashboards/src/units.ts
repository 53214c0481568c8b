// Values come in canonical units and are shown in the keeper's.

export type Temperature = "Cel" | "degF";

interface Shown {
  unit: string;
  of: (canonical: number) => number;
  scale: number;
  decimals: number;
}

const same = (v: number): number => v;

function shown(quantity: string, temperature: Temperature): Shown {
  const fahrenheit = temperature === "degF";
  switch (quantity) {
    case "air-temperature":
    case "water-temperature":
    case "surface-temperature":
    case "dew-point":
      return fahrenheit
        ? { unit: "°F", of: (v) => (v * 9) / 5 + 32, scale: 9 / 5, decimals: 1 }
        : { unit: "°C", of: same, scale: 1, decimals: 1 };
    case "condensation-margin":
      return fahrenheit
        ? { unit: "°F", of: (v) => (v * 9) / 5, scale: 9 / 5, decimals: 1 }
        : { unit: "K", of: same, scale: 1, decimals: 1 };
    case "pressure":
      return { unit: "hPa", of: (v) => v / 100, scale: 1 / 100, decimals: 1 };
    case "vapour-pressure-deficit":
      return { unit: "kPa", of: (v) => v / 1000, scale: 1 / 1000, decimals: 2 };
    case "absolute-humidity":
      return { unit: "g/m³", of: (v) => v * 1000, scale: 1000, decimals: 1 };
    case "oxygen-saturation":
      return { unit: "mg/L", of: (v) => v * 1000, scale: 1000, decimals: 1 };
  }
  return { unit: "%RH", of: same, scale: 1, decimals: 1 };
}

export const unitOf = (quantity: string, t: Temperature): string => shown(quantity, t).unit;
export const convert = (quantity: string, t: Temperature, v: number): number => shown(quantity, t).of(v);

// fromShown is the opposite of convert.
export function fromShown(quantity: string, t: Temperature, v: number): number {
  const s = shown(quantity, t);
  return (v - s.of(0)) / s.scale;
}

// fixed rounds as the rest of dewline does: to the nearest, and a value that lies exactly in the middle, as the steps of many
// sensors do, to the even digit. The browser's own toFixed would take the upper one.
export function fixed(v: number, decimals: number): string {
  const power = 10 ** decimals,
    tie = Number.isInteger(v * 2 ** (decimals + 1)) && Math.abs((v * power) % 1) === 0.5;
  return (tie ? (2 * Math.round((v * power) / 2)) / power : v).toFixed(decimals);
}

// figure writes a value without its unit. What is rounded to zero has no sign.
export function figure(quantity: string, t: Temperature, v: number | null | undefined): string {
  if (v === null || v === undefined) return "–";
  const s = shown(quantity, t);
  const text = fixed(s.of(v), s.decimals);
  return (/^-[0.]+$/.test(text) ? text.slice(1) : text).replace("-", "−");
}

// difference writes a difference of two values, without its unit.
export function difference(quantity: string, t: Temperature, v: number, decimals?: number): string {
  const s = shown(quantity, t);
  return fixed(v * s.scale, decimals ?? s.decimals).replace("-", "−");
}

export function withUnit(quantity: string, t: Temperature, v: number | null | undefined): string {
  return v === null || v === undefined ? "not known" : `${figure(quantity, t, v)} ${unitOf(quantity, t)}`;
}

// differenceUnit names the unit of a difference of two values.
export function differenceUnit(quantity: string, t: Temperature): string {
  const unit = unitOf(quantity, t);
  return unit === "°C" ? "K" : unit;
}

// areaUnit names the unit of an area between a line and a limit.
export function areaUnit(quantity: string, t: Temperature): string {
  return differenceUnit(quantity, t) + "·h";
}

export function area(quantity: string, t: Temperature, v: number): string {
  return (v * shown(quantity, t).scale).toFixed(quantity === "vapour-pressure-deficit" ? 2 : 1);
}

// bandText says a band in words.
export function bandText(quantity: string, t: Temperature, low: number | null, high: number | null): string {
  const unit = unitOf(quantity, t);
  if (low !== null && high !== null) return `${figure(quantity, t, low)} to ${figure(quantity, t, high)} ${unit}`;
  if (low !== null) return `at least ${figure(quantity, t, low)} ${unit}`;
  if (high !== null) return `at most ${figure(quantity, t, high)} ${unit}`;
  return "no band";
}
