// One capture on the bench: what is marked, what it measures, what can be undone, what is kept.
import { batch, computed, effect, signal } from "@preact/signals";
import { get, getBlob, getBytes, newestWins, post, Refused } from "../server";
import { tell } from "../state";
import type { CaptureFacts, Finding, Inspection, MarkRule, Point, Result } from "../types";
import { isMarked, kindOf, marksFromLine, marksOf, missing, nextId, withMarks } from "./marking";
import { type Overlay, deviationPicture, uncertaintyPicture, unusableMask } from "./pictures";
import { Layers } from "./unpack";

export type Laid = "photo" | "deviation" | "uncertainty";
export interface Held { name: string; index: number }
interface Kept { version: number; findings: Finding[] }

const HISTORY = 200;
const same = (a: unknown, b: unknown): boolean => JSON.stringify(a) === JSON.stringify(b);

export class LookModel {
  readonly inspection = signal<Inspection | null>(null);
  readonly facts = signal<CaptureFacts | null>(null);
  readonly photo = signal<ImageBitmap | null>(null);
  readonly layers = signal<Layers | null>(null);
  readonly trouble = signal("");

  readonly findings = signal<Finding[]>([]);
  readonly chosen = signal<string | null>(null);
  readonly held = signal<Held | null>(null);
  readonly placing = signal<string | null>(null);
  readonly results = signal<Record<string, Result>>({});
  readonly working = signal(false);
  readonly saving = signal(false);
  readonly choosing = signal(false);

  readonly pointer = signal<Point | null>(null);
  readonly laid = signal<Laid>("photo");
  readonly hatched = signal(true);
  readonly inSpace = signal(false);
  readonly cut = signal<number | null>(null);

  private kept = signal<Kept>({ version: 0, findings: [] });
  private past = signal<Finding[][]>([]);
  private future = signal<Finding[][]>([]);
  private before: Finding[] | null = null;
  private readonly ends: (() => void)[] = [];

  readonly finding = computed(() => this.findings.value.find((one) => one.id === this.chosen.value) ?? null);
  readonly result = computed(() => (this.chosen.value ? (this.results.value[this.chosen.value] ?? null) : null));
  /** The rule whose marks are being placed. */
  readonly rule = computed<MarkRule | null>(() => {
    const one = this.finding.value;
    return (one && kindOf(one)?.marks.find((rule) => rule.name === this.placing.value)) ?? null;
  });
  readonly enough = computed(() => {
    const [one, rule] = [this.finding.value, this.rule.value];
    return !!one && !!rule && marksOf(one, rule.name).length >= rule.least;
  });
  readonly unkept = computed(() => !same(this.findings.value, this.kept.value.findings));
  readonly canUndo = computed(() => this.past.value.length > 0);
  readonly canRedo = computed(() => this.future.value.length > 0);
  readonly mask = computed<Overlay | null>(() => (this.layers.value ? unusableMask(this.layers.value) : null));
  readonly uncertainty = computed<Overlay | null>(() =>
    this.layers.value && this.laid.value === "uncertainty" ? uncertaintyPicture(this.layers.value) : null,
  );
  readonly deviation = computed<Overlay | null>(() => {
    const made = this.result.value?.drawing?.deviation;
    return made ? deviationPicture(made) : null;
  });
  readonly place = computed(() => {
    const said = this.inspection.value?.said.find((one) => one.evidence.some((e) => e.sha256 === this.sha256));
    return said ? { stage: said.stage, item: said.item, look: said.look } : null;
  });

  constructor(readonly identity: string, readonly sha256: string) {
    this.ends.push(effect(() => this.keepDraft(this.findings.value, this.kept.value.version)));
  }

  close(): void {
    for (const end of this.ends) end();
  }

  private get draftName(): string {
    return `fringewise draft ${this.identity} ${this.sha256}`;
  }

  private keepDraft(findings: Finding[], version: number): void {
    if (!this.inspection.peek()) return;
    try {
      if (same(findings, this.kept.peek().findings)) sessionStorage.removeItem(this.draftName);
      else sessionStorage.setItem(this.draftName, JSON.stringify({ version, findings }));
    } catch {
      // a browser that keeps nothing
    }
  }

  private draft(): Kept | null {
    try {
      return JSON.parse(sessionStorage.getItem(this.draftName) ?? "null") as Kept | null;
    } catch {
      return null;
    }
  }

  async load(): Promise<void> {
    try {
      const path = `/api/captures/${this.sha256}`;
      const marks = `/api/inspections/${encodeURIComponent(this.identity)}/captures/${this.sha256}/findings`;
      const picture = getBlob(`${path}/photo`).then((blob) => createImageBitmap(blob));
      const [inspection, kept] = await Promise.all([
        get<Inspection>(`/api/inspections/${encodeURIComponent(this.identity)}`), get<Kept>(marks),
      ]);
      const draft = this.draft();
      batch(() => {
        this.kept.value = kept;
        this.findings.value = draft && draft.version === kept.version ? draft.findings : kept.findings;
        this.inspection.value = inspection;
        this.choosing.value = this.findings.value.length === 0;
        this.chosen.value = this.findings.value[0]?.id ?? null;
        this.placeOn();
      });
      this.photo.value = await picture;
      this.facts.value = await get<CaptureFacts>(path);
      if (this.facts.value.measurable) {
        for (const one of this.findings.value) if (isMarked(one)) this.measure(one);
        this.layers.value = new Layers(await getBytes(`${path}/layers`));
      }
    } catch (error) {
      this.trouble.value = (error as Error).message;
    }
  }

  // Measuring: quickly while a mark moves, in full when it rests.

  private readonly previewing = newestWins<Finding, Result>(
    (finding) => post<Result>(`/api/captures/${this.sha256}/preview`, { finding: bare(finding), expanded_uncertainty: this.rested[finding.id] ?? null }),
    (result, finding) => this.take({ ...result, quick: true }, finding),
    (error) => this.refused(error),
  );

  /** Each finding's main uncertainty as last measured in full. */
  private readonly rested: Record<string, number> = {};

  private readonly measuring = new Map<string, (finding: Finding) => void>();

  private measure(finding: Finding): void {
    let send = this.measuring.get(finding.id);
    if (!send) {
      send = newestWins<Finding, Result>(
        (one) => {
          this.working.value = true;
          return post<Result>(`/api/captures/${this.sha256}/measure`, { finding: bare(one), inspection: this.identity });
        },
        (result, one) => {
          this.working.value = false;
          this.take(result, one);
        },
        (error) => {
          this.working.value = false;
          this.refused(error);
        },
      );
      this.measuring.set(finding.id, send);
    }
    send(finding);
  }

  private take(result: Result, of: Finding): void {
    const now = this.findings.value.find((one) => one.id === of.id);
    if (!now || (!result.quick && !same(bare(now), bare(of)))) return;
    const main = result.quantities[0];
    if (!result.quick && main) this.rested[of.id] = main.expanded_uncertainty;
    const before = this.results.value[of.id];
    const drawing = result.drawing ?? before?.drawing ?? null;
    const verdict = result.quick ? (before?.verdict ?? null) : (result.verdict ?? null);
    this.results.value = { ...this.results.value, [of.id]: { ...result, drawing, verdict } };
  }

  private refused(error: unknown): void {
    if (error instanceof Refused) tell(error.message);
    else this.trouble.value = String((error as Error).message);
  }

  // Marking: every change of the findings goes through `change`, so that it can be undone.

  private change(findings: Finding[], { settle = true } = {}): void {
    if (this.before === null) this.before = this.findings.value;
    this.findings.value = findings;
    if (settle) this.settle();
  }

  /** Ends a change, however many steps it had: one undo takes it back. */
  settle(): void {
    const before = this.before;
    this.before = null;
    if (before === null || same(before, this.findings.value)) return;
    this.past.value = [...this.past.value.slice(-HISTORY), before];
    this.future.value = [];
    const one = this.finding.value;
    if (one && isMarked(one) && kindOf(one)?.measured) this.measure(one);
  }

  undo(): void {
    const last = this.past.value.at(-1);
    if (!last) return;
    this.past.value = this.past.value.slice(0, -1);
    this.future.value = [...this.future.value, this.findings.value];
    this.restore(last);
  }

  redo(): void {
    const next = this.future.value.at(-1);
    if (!next) return;
    this.future.value = this.future.value.slice(0, -1);
    this.past.value = [...this.past.value, this.findings.value];
    this.restore(next);
  }

  private restore(findings: Finding[]): void {
    const old = this.findings.value;
    batch(() => {
      this.findings.value = findings;
      this.held.value = null;
      const there = findings.some((one) => one.id === this.chosen.value);
      if (!there) this.chosen.value = findings.at(-1)?.id ?? null;
      this.choosing.value = findings.length === 0;
      this.placeOn();
    });
    for (const one of findings) {
      const before = old.find((other) => other.id === one.id);
      if (!same(one, before) && isMarked(one)) this.measure(one);
    }
  }

  choose(id: string | null): void {
    batch(() => {
      this.chosen.value = id;
      this.held.value = null;
      this.choosing.value = id === null;
      this.cut.value = null;
      this.placeOn();
    });
  }

  /** Goes on to the marks that are lacking, where some are. */
  private placeOn(): void {
    const one = this.finding.value;
    this.placing.value = one ? (missing(one)?.name ?? null) : null;
  }

  /** The marks being placed are all there are. */
  finish(): void {
    if (this.enough.value) this.placeOn();
    if (!this.placing.value) this.held.value = null;
  }

  begin(kind: string): void {
    const taken = [...(this.inspection.value?.findings ?? []).map((one) => one.id), ...this.findings.value.map((one) => one.id)];
    const made: Finding = { id: nextId(taken), kind };
    batch(() => {
      this.change([...this.findings.value, made]);
      this.choose(made.id);
    });
  }

  edit(fields: Partial<Finding>): void {
    const one = this.finding.value;
    if (!one) return;
    const made: Finding = { ...one };
    for (const [name, value] of Object.entries(fields)) {
      if (value === undefined || value === "" || value === "not known") delete made[name];
      else made[name] = value;
    }
    this.change(this.findings.value.map((other) => (other.id === one.id ? made : other)));
  }

  takeAway(): void {
    const one = this.finding.value;
    if (!one) return;
    const left = this.findings.value.filter((other) => other.id !== one.id);
    batch(() => {
      this.change(left);
      this.choose(left.at(-1)?.id ?? null);
    });
  }

  setMarks(name: string, marks: Point[], moving = false): void {
    const one = this.finding.value;
    if (!one) return;
    const made = withMarks(one, name, marks.map((mark) => this.inside(mark)));
    this.change(this.findings.value.map((other) => (other.id === one.id ? made : other)), { settle: !moving });
    if (moving && isMarked(made) && kindOf(made)?.measured) this.previewing(made);
  }

  addMark(at: Point): void {
    const [one, rule] = [this.finding.value, this.rule.value];
    if (!one || !rule) return;
    const marks = marksOf(one, rule.name);
    if (marks.length >= rule.most) return;
    batch(() => {
      this.setMarks(rule.name, [...marks, at]);
      this.held.value = { name: rule.name, index: marks.length };
      if (marks.length + 1 >= rule.most) this.placeOn();
    });
  }

  /** Puts a mark between two others, on the line that joins them. */
  insertMark(name: string, index: number, at: Point): void {
    const one = this.finding.value;
    const rule = one && kindOf(one)?.marks.find((other) => other.name === name);
    if (!one || !rule || marksOf(one, name).length >= rule.most) return;
    this.setMarks(name, marksOf(one, name).toSpliced(index, 0, at));
    this.held.value = { name, index };
  }

  drawLine(line: Point[], zoom: number): boolean {
    const [one, rule] = [this.finding.value, this.rule.value];
    if (!one || !rule || marksOf(one, rule.name).length) return false;
    const marks = marksFromLine(rule, line, zoom);
    if (!marks) return false;
    batch(() => {
      this.setMarks(rule.name, marks);
      this.placeOn();
    });
    return true;
  }

  moveHeld(by: Point, { moving = false } = {}): void {
    const [one, held] = [this.finding.value, this.held.value];
    if (!one || !held) return;
    const marks = [...marksOf(one, held.name)];
    const mark = marks[held.index];
    if (!mark) return;
    marks[held.index] = [mark[0] + by[0], mark[1] + by[1]];
    this.setMarks(held.name, marks, moving);
  }

  takeMarkAway(): void {
    const [one, held] = [this.finding.value, this.held.value];
    if (!one || !held) return;
    const marks = marksOf(one, held.name).filter((_, n) => n !== held.index);
    this.setMarks(held.name, marks);
    this.held.value = marks.length ? { name: held.name, index: Math.min(held.index, marks.length - 1) } : null;
    if (missing({ ...one, [held.name]: marks })) this.placing.value = held.name;
  }

  /** Holds the next or the previous of all marks of the finding. */
  holdNext(by: 1 | -1): void {
    const one = this.finding.value;
    if (!one) return;
    const all = (kindOf(one)?.marks ?? []).flatMap((rule) => marksOf(one, rule.name).map((_, index) => ({ name: rule.name, index })));
    if (!all.length) return;
    const now = this.held.value;
    const at = now ? all.findIndex((mark) => mark.name === now.name && mark.index === now.index) : by > 0 ? -1 : 0;
    this.held.value = all[(at + by + all.length) % all.length]!;
  }

  private inside(mark: Point): Point {
    const [width, height] = this.facts.value?.size ?? [this.photo.value?.width ?? 1, this.photo.value?.height ?? 1];
    const round = (value: number): number => Math.round(value * 100) / 100;
    return [
      round(Math.min(Math.max(mark[0], -0.5), width - 0.5)),
      round(Math.min(Math.max(mark[1], -0.5), height - 0.5)),
    ];
  }

  // Keeping: what is marked goes on record; nobody's change is overwritten.

  async keep(reason = ""): Promise<boolean> {
    const unready = this.findings.value.find((one) => !isMarked(one) && kindOf(one)?.marks.some((rule) => !rule.optional));
    if (unready) {
      tell(`${unready.id} lacks marks: place them, or take it away.`);
      return false;
    }
    this.saving.value = true;
    try {
      const path = `/api/inspections/${encodeURIComponent(this.identity)}/captures/${this.sha256}/findings`;
      const words = reason || (this.kept.value.version ? this.changeWords() : "");
      const made = await post<{ version: number; findings: Finding[]; results: Result[]; inspection: Inspection }>(path, {
        findings: this.findings.value.map(bare), version: this.kept.value.version, reason: words,
      });
      batch(() => {
        this.kept.value = { version: made.version, findings: this.findings.value };
        this.results.value = Object.fromEntries(made.results.map((one) => [one.id, { ...one, verdict: this.results.value[one.id]?.verdict ?? null }]));
        this.inspection.value = made.inspection;
        this.keepDraft(this.findings.value, made.version);
      });
      return true;
    } catch (error) {
      if (error instanceof Refused && error.status === 409) tell(`${error.message}\nYour marks are still in this window.`);
      else this.refused(error);
      return false;
    } finally {
      this.saving.value = false;
    }
  }

  private changeWords(): string {
    const before = new Map(this.kept.value.findings.map((one) => [one.id, one]));
    const now = this.findings.value;
    const said = [
      ...now.filter((one) => !before.has(one.id)).map((one) => `${one.id} added`),
      ...now.filter((one) => before.has(one.id) && !same(before.get(one.id), one)).map((one) => `${one.id} marked again`),
      ...[...before.keys()].filter((id) => !now.some((one) => one.id === id)).map((id) => `${id} taken away`),
    ];
    return said.join(", ") || "kept again";
  }
}

/** A finding as the service takes it: without marks that are not there. */
function bare(finding: Finding): Finding {
  return Object.fromEntries(
    Object.entries(finding).filter(([, value]) => !(Array.isArray(value) && value.length === 0)),
  ) as Finding;
}
