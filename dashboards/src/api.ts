// The JSON of the server; /api/openapi.json describes it.

export interface Limits {
  "critical-low": number | null;
  low: number | null;
  high: number | null;
  "critical-high": number | null;
}
export type Zone = "critical-low" | "low" | "in-band" | "high" | "critical-high" | "no-band" | "unknown";
export type ZoneSeconds = Record<Zone, number>;
export interface Kinetic {
  value: number;
  from: string;
  to: string;
  observed_s: number;
}
export interface Exposure {
  from: string | null;
  to: string | null;
  elapsed_s: number;
  seconds: ZoneSeconds;
  coverage: number | null;
  min: number | null;
  max: number | null;
  mean: number | null;
  mean_kinetic?: Kinetic;
  degree_hours_above: number;
  degree_hours_below: number;
  excursions: number;
  longest_excursion_s: number;
}
export interface PointNow {
  point: string;
  quantity: string;
  unit: string;
  value: number | null;
  zone: Zone;
  since: string | null;
  certainty: string;
  accuracy: number;
  flag: number;
  last_reading: string | null;
  band: Limits | null;
  day: boolean;
  fed: boolean;
  derived: boolean;
  today: Exposure;
}
export interface CohortNow {
  id: string;
  stage: string;
  since: string | null;
  profile: string;
  gosner?: string;
  count?: number;
}
export interface PlaceNow {
  id: string;
  title?: string;
  room: boolean;
  in?: string;
  cohorts: CohortNow[];
  points: PointNow[];
}
export interface AlarmNow {
  alarm: string;
  state: string;
  words: string;
  priority: string;
  active: boolean;
  occurrence?: string;
  since: string | null;
  raised: string | null;
  cleared: string | null;
  until: string | null;
  by?: string;
  unit?: string;
  setpoint?: number;
  extreme?: number;
  repeats?: number;
  names?: string[];
  reason?: string;
  doubt?: string;
  expected?: { limit: string; at: string; from?: string; to?: string };
  place: string;
  quantity: string;
  channel?: string;
  limit: string;
  consequence: string;
  action: string;
  longest_shelf_s: number;
}
export interface SensorNow {
  id: string;
  driver: string;
  where: string;
  part: string;
  last_success: string | null;
  last_error: string;
  last_kind: string;
  failures_in_a_row: number;
  reads: Record<string, number>;
  feeds: string[];
}
export interface NotifierNow {
  name: string;
  connected: boolean;
  last_error: string;
  pending: number;
  oldest: string | null;
  sent: number;
  dropped: number;
  failing_since: string | null;
  failure: string;
}
export interface Panel {
  title: string;
  span: string;
  charts: string[][]; // the points of each chart
}
export interface Now {
  site: string;
  run: string;
  at: string | null;
  started: string | null;
  age_s: number;
  timezone: string;
  temperature: "Cel" | "degF";
  clock_confirmed: boolean;
  commands: boolean;
  history: boolean;
  late_readings: number;
  configuration_ok: boolean;
  panels?: Panel[];
  places: PlaceNow[];
  flood_since: string | null;
  alarms: AlarmNow[];
  sensors: SensorNow[];
  outlets: NotifierNow[];
}
export interface Band {
  from: string;
  to: string;
  limits: Limits | null;
  cohort?: string;
  stage?: string;
}
export interface Extreme {
  at: string;
  value: number;
}
export interface PointTrend {
  point: string;
  unit: string;
  gap_s: number;
  t: number[];
  mean: (number | null)[];
  min: (number | null)[];
  max: (number | null)[];
  lowest: Extreme | null;
  highest: Extreme | null;
  bands: Band[];
}
export interface Trend {
  from: string;
  to: string;
  column_s: number;
  points: PointTrend[];
}
export interface Day {
  day: string;
  from: string;
  to: string;
  zone: Zone;
  point?: string;
  value?: number;
  seen: number;
}
export interface Days {
  place: string;
  title: string;
  days: Day[];
}
export interface Marks {
  from: string;
  to: string;
  light: { from: string; to: string }[];
  truncated: boolean;
  alarms: { alarm: string; place: string; priority: string; since: string; raised: string; cleared: string | null }[];
  events: { at: string; kind: string; place?: string; cohort?: string; stage?: string; text?: string; by?: string; until: string | null }[];
}
export interface ExposureTable {
  from: string;
  to: string;
  points: { point: string; unit: string; has_band: boolean; exposure: Exposure }[];
}
export interface Between {
  low: number;
  mid: number;
  high: number;
}
export interface MistingEvent {
  at: string;
  recorded: boolean;
  scheduled: boolean;
  missed: boolean;
  hidden: boolean;
  peak_pct_rh: number | null;
  peak_hidden: boolean;
  stuck: boolean;
  saturated_s: number;
  floor_pct_rh: number | null;
  to_80_s: number | null;
  below_band_s: number;
}
export interface MistingSchedule {
  times: string;
  now: boolean;
  days: number;
  hours_below_band_per_day: Between | null;
  hours_above_band_per_day: Between | null;
  hours_saturated_per_day: Between | null;
  hours_dry_enough_per_day: Between | null;
  longest_dry_spell_h: Between | null;
  condensation_nights: Between | null;
  relative_water: number | null;
  refused?: string;
}
export interface HumiditySpan {
  from: string;
  to: string;
  days: number;
  median: (number | null)[];
  low: (number | null)[];
  high: (number | null)[];
  hours_below_band_per_day: number | null;
  hours_above_band_per_day: number | null;
  days_dried_out: number;
  days_counted: number;
  nights_close_to_condensation: number;
  nights_measured: number;
  surface: "measured" | "guessed" | "unknown";
}
export interface HumidityDay {
  date: string;
  zones: string;
  mistings: { minute: number; state: "recorded" | "seen" | "missed" | "stuck" }[];
  below_h: number;
  above_h: number;
  dried_out: boolean;
  low: number | null;
  high: number | null;
}
export interface HumidityPage {
  place: string;
  title?: string;
  timezone: string;
  at: string;
  days: HumidityDay[];
  changes: { at: string; text: string }[];
  cell_min: number;
  night: [number, number][];
  limits: { low: (number | null)[]; high: (number | null)[] };
  this: HumiditySpan;
  against: HumiditySpan | null;
  mistings: MistingEvent[];
  what_if: {
    from: string;
    to: string;
    fit: { tau_s: number | null; floor_pct_rh: number | null; days: number; doors: number; refused?: string };
    schedules: MistingSchedule[];
    suggestion: { schedule: MistingSchedule | null; reason: string } | null;
    checked: {
      at: string;
      schedule: string;
      predicted_hours_below_band_per_day: Between | null;
      hours_below_band_per_day: number | null;
      days: number;
    } | null;
  };
}
export interface Entry {
  seq: number;
  run: string;
  at: string;
  kind: string;
  alarm?: string;
  occurrence?: string;
  state?: string;
  was?: string;
  priority?: string;
  unit?: string;
  setpoint?: number;
  value?: number;
  extreme?: number;
  since?: string;
  until?: string;
  repeats?: number;
  names?: string[];
  outlets?: string[];
  cohort?: string;
  stage?: string;
  place?: string;
  by?: string;
  reason?: string;
  text?: string;
  gosner?: number;
  count?: number;
  why?: string;
  task?: string;
  sensor?: string;
  channel?: string;
  calibration?: { method?: string };
}
export interface JournalPage {
  entries: Entry[];
  older: number;
}
export interface Outcome {
  done: boolean;
  changed: boolean;
  reason?: string;
  entry?: string; // of a command about animals or their care
  in_force?: string;
  warnings?: string[];
}
export interface Command {
  verb: string;
  alarm?: string;
  occurrence?: string;
  for_seconds?: number;
  reason?: string;
  by?: string;
  place?: string;
  text?: string;
  cohort?: string;
  stage?: string;
  at?: string;
  gosner?: number;
  count?: number;
  why?: string;
  task?: string;
  corrects?: string;
}
export interface Task {
  do: string;
  place: string;
  cohort?: string;
  cohorts: string[];
  state: "overdue" | "due" | "later";
  due: string;
  last: string | null;
  turn?: string;
  note?: string;
  source?: string;
}
export interface NightExtreme {
  point: string;
  min: number;
  max: number;
  below: boolean;
  above: boolean;
}
export interface Day {
  at: string;
  out_of_band: { point: string; zone: Zone; since: string | null; value: number | null; limit: number | null }[];
  night: { from: string; to: string; extremes: NightExtreme[] };
  tasks: Task[];
  windows: { cohort: string; place: string; overdue: boolean; words: string }[];
  calibrations_due: { sensor: string; channel: string; last: string; due: string }[];
  missing?: string;
}
export interface StageCare {
  cohort: string;
  place: string;
  profile: string;
  stage: string;
  notes: string[];
  tasks: { text: string; note?: string; source?: string }[];
  sources: { quantity: string; source: string }[];
}

export async function get<T>(path: string, signal?: AbortSignal): Promise<T> {
  let response: Response;
  try {
    response = await fetch(path, signal ? { signal } : {});
  } catch (problem) {
    if (signal?.aborted) throw problem;
    throw new Error("the server does not answer: it may have stopped, or the network is away");
  }
  const body = await response.json().catch(() => ({ message: `the server answered ${response.status}` }));
  if (!response.ok) throw new Error((body as { message?: string }).message ?? `the server answered ${response.status}`);
  return body as T;
}

// How long the answer to a command is waited for.
const ANSWER_MS = 20e3;

// send carries out a command. What is refused comes back as an outcome that is not done.
export async function send(command: Command): Promise<Outcome> {
  try {
    const response = await fetch("/api/command", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(command),
      signal: AbortSignal.timeout(ANSWER_MS),
    });
    return (await response.json()) as Outcome;
  } catch {
    return { done: false, changed: false, reason: "the server does not answer; look into the journal before you do it again" };
  }
}
