// Words that a person reads; the same word for the same thing everywhere.

export const KIND_WORDS: Record<string, string> = {
  dent: "Dent", gouge: "Gouge", crack: "Crack", edge_nick: "Nick", edge_bend: "Bend", corner_loss: "Lost corner",
  tip_loss: "Lost tip", blend: "Finished blend", area: "Area", hole: "Hole", path: "Length along", distance: "Distance",
  offset: "Offset", step: "Step", clearance: "Clearance", flat: "Flat", sphere: "Sphere",
  observation: "Seen, not sized", object: "Foreign object",
};

export const KIND_GROUPS: { title: string; kinds: string[] }[] = [
  { title: "On the face", kinds: ["dent", "gouge", "crack", "hole", "area"] },
  { title: "At an edge", kinds: ["edge_nick", "edge_bend", "corner_loss", "tip_loss", "blend"] },
  { title: "A plain size", kinds: ["distance", "path", "offset", "step", "clearance"] },
  { title: "Only seen", kinds: ["observation", "object"] },
];

export const OUTCOME_WORDS: Record<string, string> = {
  serviceable: "Serviceable", inspect_again: "Inspect again", blend: "Blend", reject: "Reject",
  not_decided: "Not decided", not_measured: "Not measured", no_rule: "No rule",
};

export const STATE_WORDS: Record<string, string> = {
  "to do": "to do", "done, nothing found": "looked at, clean", findings: "damage marked",
  "could not be seen": "could not be seen",
};

export const ANSWER_WORDS: Record<string, string> = {
  whole_extent_in_view: "All of it in view?", sharp_bottom: "Sharp at the bottom?", tear_or_crack: "Torn or cracked?",
  reaches_edge: "Reaches an edge?",
};

export const ZONES = ["tip", "leading edge", "trailing edge", "face", "root"];

/** Lower case inside a sentence. */
export function kindWords(kind: string): string {
  return KIND_WORDS[kind] ?? kind.replaceAll("_", " ");
}

export function plural(n: number, one: string, many = `${one}s`): string {
  return `${n} ${n === 1 ? one : many}`;
}

export function moment(iso: string): string {
  const at = new Date(iso);
  if (Number.isNaN(at.getTime())) return iso;
  const two = (n: number): string => String(n).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${two(at.getHours())}:${two(at.getMinutes())}`;
}

const IN = 25.4;
export function length(mm: number, unit: "mm" | "in", decimals = 1): string {
  return unit === "mm" ? `${mm.toFixed(decimals)}\u2009mm` : `${(mm / IN).toFixed(decimals + 1)}\u2009in`;
}
