// What the service answers. Names are those of the open formats.

export type Unit = "mm" | "in";
export type Point = [number, number];

export interface Bench { program: string; unit: Unit; person: string; has_archive: boolean }

export interface MarkRule { name: string; least: number; most: number; optional: boolean; words: string }
export interface Kind {
  name: string;
  measured: boolean;
  marks: MarkRule[];
  quantities: { name: string; unit: string; spoken: string; words: string }[];
}

export interface ValueWords {
  name: string; spoken: string; unit: string; value: number; expanded_uncertainty: number; bound: string;
  mm: string; in: string;
}
export interface Value extends ValueWords {
  standard_uncertainty: number;
  coverage_factor: number;
  interval_95: Point;
  budget: { source: string; standard_uncertainty: number }[];
  not_included: string[];
}
export interface Section {
  along_mm: (number | null)[]; measured_mm: (number | null)[]; expanded_mm: (number | null)[];
  points: [number | null, number | null][]; from: Point; to: Point;
}
export interface Deviation {
  corner: Point; size: Point; step_mm: number; expanded_mm: number; ends_mm: Point; steps: string;
}
export interface Drawing {
  drawn: { placed: Point; used: Point; feature: string; sigma_px: number }[];
  lines: Point[][];
  deepest: Point | null;
  section: Section | null;
  deviation: Deviation | null;
}
export interface Verdict {
  outcome: string; statement: string; would_decide: string | null; provisional: string[]; grounds: string[];
}
export interface Result {
  id: string; kind: string; status: "measured" | "not_measured"; quantities: Value[]; reason: string;
  warnings: string[]; marks_at_fault: boolean; drawing: Drawing | null; quick?: boolean; verdict?: Verdict | null;
}

export type Answer = "yes" | "no" | "not known";
export interface Finding {
  id: string; kind: string; zone?: string; note?: string; stage?: string; item?: string; part?: string;
  whole_extent_in_view?: Answer; sharp_bottom?: Answer; tear_or_crack?: Answer; reaches_edge?: Answer;
  [marks: string]: unknown;
}

export interface CaptureFacts {
  sha256: string; size: Point; captured_at: string; head: string | null; probe: string | null; note: string | null;
  measurable: boolean; valid_fraction?: number; standoff_mm?: number | null; point_sigma_mm?: number | null;
  flags?: { words: string; bars_use: boolean; share: number }[];
  motion?: string; faults?: string[]; not_known?: string[];
}

export interface Overview {
  identity: string; order: string; engine: string; engine_type: string; state: string; outcome: string;
  looks: number; looks_left: number; findings: number; invented: boolean; begun_at: string; changed_at: string;
}
export interface Stage {
  name: string; part: string; items: number; item: string; numbered: string | null; viewed: string | null;
  looks: { name: string; port: string | null }[];
}
export interface Evidence { kind: "capture" | "photo" | "video"; sha256: string; name: string }
export interface LookSaid {
  stage: string; item: string; look: string; state: LookState; reason: string; version: number; by: string; at: string;
  evidence: Evidence[];
}
export type LookState = "to do" | "done, nothing found" | "findings" | "could not be seen";
export interface Found {
  capture: string; id: string; kind: string; look: string; stage: string; item: string; zone: string; status: string;
  outcome: string; reason: string; values: ValueWords[];
}
export interface Inspection {
  identity: string; order: string; engine: { serial: string; type: string; hours?: number; cycles?: number };
  reason: string | null; procedure: string | null; technician: string; invented: boolean; state: string;
  outcome: string; complete: boolean; looks: number; left: number; stages: Stage[]; said: LookSaid[]; findings: Found[];
  marks_versions: Record<string, number>;
}
