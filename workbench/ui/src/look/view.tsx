// The capture view: photo, what lies over it, section, and the sheet that begins with the damage.
import type { JSX } from "preact";
import { useEffect, useMemo } from "preact/hooks";
import { Frame } from "../app";
import { go, tell, unit } from "../state";
import type { Point } from "../types";
import { length, moment } from "../words";
import { guide, kindOf, marksOf } from "./marking";
import { type Laid, LookModel } from "./model";
import { Pane, Photo } from "./photo";
import { DeviationScale, ReliefMap, UncertaintyScale } from "./relief";
import { SectionPlot } from "./section";
import { Sheet } from "./sheet";
import { Space } from "./space-view";
import "../style/look.css";

export function LookView({ identity, sha256 }: { identity: string; sha256: string }): JSX.Element {
  const model = useMemo(() => new LookModel(identity, sha256), [identity, sha256]);
  const pane = useMemo(() => new Pane(model), [model]);
  const leave = (): void => {
    const place = model.place.value;
    if (place) {
      sessionStorage.setItem(`fringewise blade ${identity} ${place.stage}`, String(Number(place.item) - 1));
      go("inspection", identity, "stage", place.stage);
    }
    else go("inspection", identity);
  };
  useEffect(() => {
    void model.load();
    const keys = (event: KeyboardEvent): void => onKey(event, model, pane, leave);
    addEventListener("keydown", keys);
    return () => {
      removeEventListener("keydown", keys);
      model.close();
    };
  }, [model]);
  const place = model.place.value;
  const steps = [
    { words: "Inspections", to: [] as string[] },
    { words: identity, to: ["inspection", identity] },
    ...(place ? [{ words: place.stage, to: ["inspection", identity, "stage", place.stage] }, { words: `${itemWord(model)} ${place.item}, ${place.look}` }] : [{ words: "capture" }]),
  ];
  return (
    <Frame way={steps}>
      {model.trouble.value ? <p class="waiting" role="alert">{model.trouble.value}</p> : (
        <main class={`look ${hasStrip(model) ? "" : "no-strip"}`}>
          <h1 class="sr">{steps.at(-1)?.words}</h1>
          <Guide model={model} pane={pane} />
          {model.inSpace.value ? <Space model={model} /> : <Photo model={model} pane={pane} />}
          <Caption model={model} />
          {hasStrip(model) && <Strip model={model} />}
          <Sheet model={model} leave={leave} />
        </main>
      )}
    </Frame>
  );
}

const itemWord = (model: LookModel): string => {
  const place = model.place.value;
  return model.inspection.value?.stages.find((stage) => stage.name === place?.stage)?.item ?? "part";
};

const RELIEF = new Set(["dent", "gouge"]);

/** The strip has its place from the start, so that the photo doesn't move when the size comes. */
const hasStrip = (model: LookModel): boolean =>
  !model.choosing.value && (RELIEF.has(model.finding.value?.kind ?? "") || !!model.result.value?.drawing?.section || !!model.result.value?.drawing?.deviation);

/** What to do now, above the photo; what was done can be taken back there. */
function Guide({ model, pane }: { model: LookModel; pane: Pane }): JSX.Element {
  const finding = model.finding.value;
  const rule = model.rule.value;
  let words = "Drag a mark to move it; dragged slowly it goes in tenths of a pixel.";
  if (model.choosing.value || !finding) words = "Look first. Then say what it is, on the sheet.";
  else if (rule) words = guide(finding, rule);
  const bad = model.facts.value?.faults ?? [];
  return (
    <div class={`guide ${rule ? "asks" : ""}`}>
      <p role="status">
        {bad.length > 0 && <strong>{bad[0]}. </strong>}
        {model.facts.value && !model.facts.value.measurable ? "This look has no fringes: it can be marked, not measured." : words}
      </p>
      <div class="guide-acts">
        {rule && rule.most > rule.least && marksOf(finding!, rule.name).length > 0 && (
          <button class="first" disabled={!model.enough.value} onClick={() => model.finish()}>That is all of it <kbd>F</kbd></button>
        )}
        <button class="plain" disabled={!model.canUndo.value} onClick={() => model.undo()}>Undo</button>
        <button class="plain" disabled={!model.canRedo.value} onClick={() => model.redo()}>Redo</button>
        <button class="plain" onClick={() => pane.showMarks()}>Closer</button>
        <button class="plain" onClick={() => pane.fit()}>Whole photo</button>
      </div>
    </div>
  );
}

const LAID: { name: Laid; words: string }[] = [
  { name: "photo", words: "Photo" }, { name: "deviation", words: "Deviation" }, { name: "uncertainty", words: "Uncertainty" },
];

/** What the picture is, what lies over it and on which scale, what is under the pointer. */
function Caption({ model }: { model: LookModel }): JSX.Element {
  const facts = model.facts.value;
  const deviation = model.result.value?.drawing?.deviation;
  const said = [
    facts ? moment(facts.captured_at) : "",
    facts?.standoff_mm ? `${length(facts.standoff_mm, unit.value)} away` : "",
    facts?.head ? `head ${facts.head}` : "",
  ].filter(Boolean).join(" · ");
  return (
    <div class="caption">
      <div class="laid" role="group" aria-label="Shown on the picture">
        {LAID.map(({ name, words }, n) => (
          <button key={name} class="plain" aria-pressed={model.laid.value === name && !model.inSpace.value} disabled={name === "deviation" && !deviation}
            onClick={() => { model.laid.value = name; model.inSpace.value = false; }}>{words} <kbd>{n + 1}</kbd></button>
        ))}
        <button class="plain" aria-pressed={model.inSpace.value} disabled={!facts?.measurable} onClick={() => (model.inSpace.value = !model.inSpace.value)}>In space <kbd>4</kbd></button>
      </div>
      <div class="caption-words">
        <Under model={model} otherwise={said} />
        {model.laid.value === "uncertainty" && model.layers.value && <UncertaintyScale layers={model.layers.value} />}
      </div>
    </div>
  );
}

function Under({ model, otherwise }: { model: LookModel; otherwise: string }): JSX.Element {
  const at = model.pointer.value;
  const under = at ? model.layers.value?.under(at[0], at[1]) : null;
  if (!at || !under) return <p class="under-words">{otherwise}</p>;
  const words = under.usable
    ? [under.depth_mm !== null ? `${length(under.depth_mm, unit.value, 2)} away` : "", under.sigma_mm !== null ? `a point here ± ${length(2 * under.sigma_mm, unit.value, 3)}` : ""].filter(Boolean).join(", ")
    : `can't be measured: ${under.words[0] ?? "no surface was found here"}`;
  return <p class="under-words"><span class="place">{at[0].toFixed(1)}, {at[1].toFixed(1)}</span> {words}</p>;
}

function Strip({ model }: { model: LookModel }): JSX.Element {
  const result = model.result.value;
  if (!result?.drawing?.deviation && !result?.drawing?.section)
    return <div class="strip"><p class="strip-waits">{result?.reason ? "No section: it is not measured." : "Deviation and section appear here as soon as it is marked."}</p></div>;
  const deviation = result.drawing.deviation;
  return (
    <div class={`strip ${result.quick ? "moving" : ""}`}>
      {deviation && (
        <figure>
          <figcaption>Deviation from the restored metal</figcaption>
          <ReliefMap model={model} deviation={deviation} />
          <DeviationScale deviation={deviation} />
        </figure>
      )}
      {result.drawing?.section && (
        <figure class="wide-figure">
          <figcaption>Section from A to B through the deepest place; dashed: the restored metal, not measured</figcaption>
          <SectionPlot result={result} />
        </figure>
      )}
    </div>
  );
}

const ARROWS: Record<string, Point> = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function onKey(event: KeyboardEvent, model: LookModel, pane: Pane, leave: () => void): void {
  const target = event.target as HTMLElement;
  if (/^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName)) return;
  const command = event.ctrlKey || event.metaKey;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (command && (key === "z" || key === "y")) {
    event.preventDefault();
    if (key === "y" || event.shiftKey) model.redo();
    else model.undo();
    return;
  }
  const arrow = ARROWS[event.key];
  if (arrow && (target.classList.contains("photo") || target === document.body)) {
    event.preventDefault();
    const step = event.shiftKey ? 10 : event.altKey || command ? 0.1 : 1;
    moveBy([arrow[0] * step, arrow[1] * step], model, pane);
    return;
  }
  if (command || event.altKey) return;
  if (key === "Enter" && target.classList.contains("photo")) {
    event.preventDefault();
    if (model.placing.value) {
      const at = model.pointer.value;
      if (model.held.value) model.held.value = null;
      else if (at) model.addMark(at);
      if (model.placing.value) model.held.value = null;
    }
    return;
  }
  const act = ACTS[key];
  if (act) {
    event.preventDefault();
    act(model, pane, leave);
  }
}

/** Moves the mark in hand, or else the cross. */
function moveBy(by: Point, model: LookModel, pane: Pane): void {
  const held = model.held.value;
  if (held) {
    model.moveHeld(by);
    const mark = model.finding.value ? marksOf(model.finding.value, held.name)[held.index] : undefined;
    if (mark) pane.follow(mark);
    return;
  }
  const [w, h] = pane.photoSize;
  const at = model.pointer.value ?? [w / 2, h / 2];
  const now: Point = [Math.min(Math.max(at[0] + by[0], 0), w - 1), Math.min(Math.max(at[1] + by[1], 0), h - 1)];
  model.pointer.value = now;
  pane.follow(now);
}

const ACTS: Record<string, (model: LookModel, pane: Pane, leave: () => void) => void> = {
  "1": (model) => lay(model, "photo"),
  "2": (model) => lay(model, "deviation"),
  "3": (model) => lay(model, "uncertainty"),
  "4": (model) => { model.inSpace.value = !model.inSpace.value; },
  "+": (_, pane) => pane.zoomAtPointer(1.5),
  "=": (_, pane) => pane.zoomAtPointer(1.5),
  "-": (_, pane) => pane.zoomAtPointer(1 / 1.5),
  "0": (_, pane) => pane.fit(),
  z: (_, pane) => pane.showMarks(),
  h: (model) => { model.hatched.value = !model.hatched.value; },
  m: (model) => model.holdNext(1),
  n: (model) => model.holdNext(-1),
  f: (model) => model.finish(),
  k: (model, _, leave) => void (model.unkept.value && model.keep().then((kept) => kept && leave())),
  Delete: (model) => model.takeMarkAway(),
  Backspace: (model) => model.takeMarkAway(),
  Escape: (model) => {
    if (model.held.value) model.held.value = null;
    else if (model.placing.value && model.finding.value && !kindOf(model.finding.value)?.marks.some((rule) => marksOf(model.finding.value!, rule.name).length)) model.takeAway();
  },
};

function lay(model: LookModel, what: Laid): void {
  model.inSpace.value = false;
  if (what !== "deviation" || model.deviation.value) model.laid.value = what;
  else tell("There is a deviation map as soon as a dent or the like is measured.");
}
