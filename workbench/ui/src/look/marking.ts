// Marks: what is still to be placed, what a person should do next, and what a drawn line becomes.
import { kinds } from "../state";
import type { Finding, Kind, MarkRule, Point } from "../types";

export function kindOf(finding: Finding): Kind | undefined {
  return kinds.value.find((kind) => kind.name === finding.kind);
}

export function marksOf(finding: Finding, name: string): Point[] {
  return (finding[name] as Point[] | undefined) ?? [];
}

export function withMarks(finding: Finding, name: string, marks: Point[]): Finding {
  return { ...finding, [name]: marks };
}

/** The rule whose marks are to be placed now: the first that lacks some. */
export function missing(finding: Finding): MarkRule | undefined {
  return kindOf(finding)?.marks.find((rule) => !rule.optional && marksOf(finding, rule.name).length < rule.least);
}

export function isMarked(finding: Finding): boolean {
  const kind = kindOf(finding);
  return !!kind && !missing(finding) && kind.marks.some((rule) => marksOf(finding, rule.name).length > 0);
}

const CLOSED = new Set(["outline_px", "lower_px", "upper_px", "casing_px"]);
export const isClosed = (name: string): boolean => CLOSED.has(name);

const GUIDE: Record<string, string> = {
  "dent outline_px": "Draw round the dent, on sound metal.",
  "hole outline_px": "Draw round the hole, on sound metal.",
  "area outline_px": "Draw round the area.",
  "gouge path_px": "Follow the gouge from end to end.",
  "crack path_px": "Follow the crack from end to end.",
  "path path_px": "Follow the line from end to end.",
  "distance ends_px": "Draw from one end to the other.",
  "object ends_px": "Draw from one end of the object to the other.",
  "offset line_px": "Draw along the straight line.",
  "offset point_px": "Now mark the point that lies off the line.",
  "step lower_px": "Draw round a patch of the lower face.",
  "step upper_px": "Now draw round a patch of the upper face.",
  "clearance edge_px": "Draw along the blade's edge.",
  "clearance casing_px": "Now draw round a patch of the casing facing it.",
  "edge_nick edge_px": "Mark the sound edge on one side of the nick, then on the other.",
  "edge_bend edge_px": "Mark the sound edge on one side of the bend, then on the other.",
  "blend edge_px": "Mark the sound edge on one side of the blend, then on the other.",
  "corner_loss first_edge_px": "Mark two places on the sound part of the first edge.",
  "corner_loss second_edge_px": "Now two on the sound part of the second edge.",
  "tip_loss first_edge_px": "Mark two places on the sound part of one side edge.",
  "tip_loss second_edge_px": "Now two on the sound part of the other side edge.",
  "tip_loss tip_px": "Now two or more on a sound neighbour's tip.",
  "observation outline_px": "Draw round what you see, or leave it unmarked.",
  "flat outline_px": "Draw round the flat.",
  "sphere outline_px": "Draw round a part of the sphere.",
};

export function guide(finding: Finding, rule: MarkRule): string {
  const said = GUIDE[`${finding.kind} ${rule.name}`] ?? `Place marks ${rule.words}.`;
  const have = marksOf(finding, rule.name).length;
  const left = rule.least - have;
  if (have === 0 || left <= 0) return said;
  return `${said} ${left === 1 ? "One more mark" : `${left} more marks`} to place.`;
}

const apart = (a: Point, b: Point): number => Math.hypot(a[0] - b[0], a[1] - b[1]);

/** Marks at even distances along a drawn line. */
function evenly(line: Point[], count: number, closed: boolean): Point[] {
  const all = closed ? [...line, line[0]!] : line;
  const along = [0];
  for (let n = 1; n < all.length; n++) along.push(along[n - 1]! + apart(all[n - 1]!, all[n]!));
  const total = along.at(-1)!;
  const places = Array.from({ length: count }, (_, n) => (n * total) / (closed ? count : count - 1));
  let at = 0;
  return places.map((place) => {
    while (at < all.length - 2 && along[at + 1]! < place) at++;
    const span = along[at + 1]! - along[at]! || 1;
    const t = Math.min(Math.max((place - along[at]!) / span, 0), 1);
    return [all[at]![0] + t * (all[at + 1]![0] - all[at]![0]), all[at]![1] + t * (all[at + 1]![1] - all[at]![1])];
  });
}

/** The corners of a drawn line: what lies further than `most_px` from the chord is kept. */
function corners(line: Point[], most_px: number): Point[] {
  if (line.length < 3) return line;
  const [a, b] = [line[0]!, line.at(-1)!];
  const length = apart(a, b) || 1;
  let furthest = 0, where = 0;
  for (let n = 1; n < line.length - 1; n++) {
    const p = line[n]!;
    const off = Math.abs((b[0] - a[0]) * (a[1] - p[1]) - (a[0] - p[0]) * (b[1] - a[1])) / length;
    if (off > furthest) [furthest, where] = [off, n];
  }
  if (furthest <= most_px) return [a, b];
  return [...corners(line.slice(0, where + 1), most_px), ...corners(line.slice(where), most_px).slice(1)];
}

/** What a drawn line becomes under a rule; null where it is too short to be meant. */
export function marksFromLine(rule: MarkRule, line: Point[], zoom: number): Point[] | null {
  let length = 0;
  for (let n = 1; n < line.length; n++) length += apart(line[n - 1]!, line[n]!);
  if (length * zoom < 14) return null;
  if (rule.most === 1) return [line.at(-1)!];
  if (rule.most === 2) return [line[0]!, line.at(-1)!];
  if (isClosed(rule.name)) return evenly(line, Math.min(Math.max(Math.round(length / 18), 8), 16), true);
  const found = corners(line, Math.max(1.2 / zoom, 0.8));
  return found.length > 14 ? evenly(line, 14, false) : found.length < rule.least ? evenly(line, rule.least, false) : found;
}

/** The next free name of a finding. */
export function nextId(taken: Iterable<string>): string {
  const used = new Set(taken);
  for (let n = 1; ; n++) if (!used.has(`F${n}`)) return `F${n}`;
}
