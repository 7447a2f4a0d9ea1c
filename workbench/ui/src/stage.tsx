// A stage as an unrolled strip in counting order; the blade in hand below it; a clean blade is one key.
import type { JSX } from "preact";
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import { Frame } from "./app";
import { Outcome, Shape, shapeInside } from "./parts/shapes";
import { get, post, postFiles, Refused } from "./server";
import { go, tell, unit, wayTo } from "./state";
import type { Evidence, Found, Inspection, LookSaid, LookState, Stage } from "./types";
import { kindWords, OUTCOME_WORDS, plural, STATE_WORDS } from "./words";
import "./style/stage.css";

/** States of a blade from the one that matters most; the rest are outcomes. */
const WORST = ["reject", "not_decided", "not_measured", "no_rule", "blend", "inspect_again", "serviceable", "marked", "to mark", "not seen", "part", "to do", "clean"];
const BLADE_WORDS: Record<string, string> = {
  ...OUTCOME_WORDS, marked: "damage marked", "to mark": "captured, to be marked", "not seen": "could not be seen", part: "looked at in part", "to do": "to do", clean: "clean",
};

interface Blade { item: string; state: string; looks: LookSaid[]; found: Found[] }

function bladesOf(inspection: Inspection, stage: Stage): Blade[] {
  return Array.from({ length: stage.items }, (_, n) => {
    const item = String(n + 1);
    const looks = inspection.said.filter((one) => one.stage === stage.name && one.item === item);
    const found = inspection.findings.filter((one) => one.stage === stage.name && one.item === item);
    return { item, looks, found, state: stateOf(stage, looks, found) };
  });
}

function stateOf(stage: Stage, looks: LookSaid[], found: Found[]): string {
  const states = found.map((one) => one.outcome || (one.status === "not_measured" ? "not_measured" : "marked"));
  const marked = new Set(found.map((one) => one.capture));
  if (looks.some((look) => look.state === "to do" && look.evidence.some((e) => !marked.has(e.sha256)))) states.push("to mark");
  if (looks.some((look) => look.state === "could not be seen")) states.push("not seen");
  if (states.length) return WORST.find((state) => states.includes(state)) ?? "marked";
  const done = looks.filter((look) => look.state !== "to do").length;
  if (done >= stage.looks.length && done > 0) return "clean";
  return done ? "part" : "to do";
}

export function StageView({ identity, stage: name }: { identity: string; stage?: string | undefined }): JSX.Element {
  const [inspection, setInspection] = useState<Inspection | null>(null);
  const [trouble, setTrouble] = useState("");
  useEffect(() => {
    get<Inspection>(`/api/inspections/${encodeURIComponent(identity)}`).then(setInspection, (e: Error) => setTrouble(e.message));
  }, [identity]);
  const way = [{ words: "Inspections", to: [] as string[] }, { words: identity }];
  if (trouble) return <Frame way={way}><p class="waiting" role="alert">{trouble}</p></Frame>;
  if (!inspection) return <Frame way={way}><p class="waiting">Opening {identity} …</p></Frame>;
  const stage = inspection.stages.find((one) => one.name === name) ?? inspection.stages[0];
  return (
    <Frame way={[...way.slice(0, 1), { words: identity, to: ["inspection", identity] }, { words: stage?.name ?? "" }]}
      side={<a class="button first" href={wayTo("inspection", identity, "report")}>Report</a>}>
      {stage ? <OneStage key={stage.name} inspection={inspection} stage={stage} changed={setInspection} /> : <p class="waiting">The work card names no stage.</p>}
    </Frame>
  );
}

function OneStage({ inspection, stage, changed }: { inspection: Inspection; stage: Stage; changed: (now: Inspection) => void }): JSX.Element {
  const blades = bladesOf(inspection, stage);
  const memory = `fringewise blade ${inspection.identity} ${stage.name}`;
  const [now, setNow] = useState(() => Math.min(Number(sessionStorage.getItem(memory) ?? 0) || 0, blades.length - 1));
  const strip = useRef<HTMLOListElement>(null);
  const blade = blades[now]!;
  const left = blades.filter((one) => ["to do", "part", "to mark"].includes(one.state)).length;

  const take = (n: number, focus = true): void => {
    const at = Math.min(Math.max(n, 0), blades.length - 1);
    sessionStorage.setItem(memory, String(at));
    setNow(at);
    if (focus) requestAnimationFrame(() => strip.current?.querySelectorAll("button")[at]?.focus());
  };
  const say = async (state: LookState, reason = ""): Promise<void> => {
    const looks = stage.looks.filter((look) => {
      const said = blade.looks.find((one) => one.look === look.name);
      return state === "to do" ? !!said : (said?.state ?? "to do") === "to do" || said?.state === "could not be seen";
    });
    if (!looks.length) return tell(`Every look at ${stage.item} ${blade.item} has its word already.`);
    try {
      changed(await post<Inspection>(`/api/inspections/${encodeURIComponent(inspection.identity)}/looks`, {
        looks: looks.map((look) => ({
          stage: stage.name, item: blade.item, look: look.name, state, reason, version: blade.looks.find((one) => one.look === look.name)?.version ?? 0,
        })),
      }));
      if (state === "to do") return;
      tell(`${stage.item} ${blade.item}: ${STATE_WORDS[state]}.`);
      const next = blades.findIndex((one, n) => n > now && ["to do", "part", "to mark"].includes(one.state));
      if (next > 0) take(next);
    } catch (error) {
      tell((error as Error).message);
      if (error instanceof Refused && error.status === 409) changed(await get<Inspection>(`/api/inspections/${encodeURIComponent(inspection.identity)}`));
    }
  };
  const open = (): void => {
    const first = blade.looks.flatMap((look) => look.evidence).find((one) => one.kind === "capture");
    if (first) go("inspection", inspection.identity, "look", first.sha256);
    else tell(`Nothing was captured at ${stage.item} ${blade.item} yet: drop a capture on it.`);
  };
  const keys = (event: KeyboardEvent): void => {
    if (event.ctrlKey || event.altKey || event.metaKey || /^(INPUT|TEXTAREA)$/.test((event.target as HTMLElement).tagName)) return;
    const row = rowLength(strip.current);
    const moves: Record<string, number> = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -row, ArrowDown: row, Home: -blades.length, End: blades.length };
    const inStrip = strip.current?.contains(event.target as Node) || event.target === document.body;
    if (event.key in moves && inStrip) take(now + moves[event.key]!);
    else if (event.key === "Enter" && inStrip) open();
    else if (event.key.toLowerCase() === "c") void say("done, nothing found");
    else return;
    event.preventDefault();
  };
  useLayoutEffect(() => {
    addEventListener("keydown", keys);
    return () => removeEventListener("keydown", keys);
  });

  return (
    <main class="page">
      <div class="stage">
        <section class="stage-head">
          <div>
            <h1>{capital(stage.name)}</h1>
            <p class="stage-left">{left === 0 ? `All ${plural(stage.items, stage.item)} looked at` : <><strong>{left}</strong> of {plural(stage.items, stage.item)} left</>}</p>
            <p class="quiet">{[stage.viewed ? `Viewed ${stage.viewed}` : "", stage.numbered ?? ""].filter(Boolean).join(". ")}.</p>
            {inspection.stages.length > 1 && (
              <nav class="stages" aria-label="Stages">
                {inspection.stages.map((one) => <a key={one.name} class="button" aria-current={one.name === stage.name ? "true" : undefined} href={wayTo("inspection", inspection.identity, "stage", one.name)}>{one.name}</a>)}
              </nav>
            )}
          </div>
          <Ring blades={blades} now={now} stage={stage} />
        </section>
        <ol class="strip-of-blades" ref={strip} style={{ "--columns": Math.ceil(blades.length / Math.ceil(blades.length / 24)) }} aria-label={`${plural(stage.items, stage.item)} in counting order`}>
          {blades.map((one, n) => (
            <li key={one.item}>
              <button class={n === now ? "blade now" : "blade"} tabIndex={n === now ? 0 : -1} aria-current={n === now ? "true" : undefined}
                aria-label={`${stage.item} ${one.item}, ${BLADE_WORDS[one.state]}`} onClick={() => take(n, false)} onDblClick={open}>
                <BladeDrawing state={one.state} />
                <span>{one.item}</span>
              </button>
            </li>
          ))}
        </ol>
        <Legend blades={blades} />
        <InHand inspection={inspection} stage={stage} blade={blade} say={say} open={open} changed={changed} />
      </div>
    </main>
  );
}

function rowLength(strip: HTMLOListElement | null): number {
  const all = [...(strip?.children ?? [])] as HTMLElement[];
  const top = all[0]?.offsetTop;
  const next = all.findIndex((one) => one.offsetTop !== top);
  return next > 0 ? next : all.length;
}

/** A blade seen from the front, a little twisted; its state's shape stands on it. */
function BladeDrawing({ state }: { state: string }): JSX.Element {
  const open = state === "to do" || state === "part";
  return (
    <svg viewBox="0 0 44 84" class={`blade-drawing ${open ? "open" : ""}`} aria-hidden="true">
      <path class="body" d="M9 3 Q22 0 34 4 Q39 36 33 70 L37 73 L37 82 L7 82 L7 73 L11 70 Q4 36 9 3 Z" />
      {state === "not seen" && <path class="hatch" d="M10 20L30 5M9 36L35 16M9 52L36 32M11 66L36 47M20 72L35 61" />}
      {state !== "to do" && state !== "part" && state !== "to mark" && <svg x="12" y="30" width="20" height="20" viewBox="0 0 16 16">{shapeInside(state)}</svg>}
      {state === "to mark" && <g class="frame-sign"><path d="M14 38V32H20M24 32H30V38M30 42V48H24M20 48H14V42" /></g>}
      {state === "part" && <path class="frame-sign" d="M16 40H28" />}
    </svg>
  );
}

/** The stage as it stands in the engine: which way it is looked at and counted. */
function Ring({ blades, now, stage }: { blades: Blade[]; now: number; stage: Stage }): JSX.Element {
  const back = /counter|anti/i.test(stage.numbered ?? "");
  const at = (n: number, r: number): [number, number] => {
    const turn = ((back ? -1 : 1) * 2 * Math.PI * n) / blades.length - Math.PI / 2;
    return [80 + r * Math.cos(turn), 80 + r * Math.sin(turn)];
  };
  const arc = (): string => {
    const [a, b] = [at(0.02 * blades.length, 31), at(0.2 * blades.length, 31)];
    return `M${a[0]} ${a[1]}A31 31 0 0 ${back ? 0 : 1} ${b[0]} ${b[1]}`;
  };
  const tip = at(0.2 * blades.length, 31);
  const turn = ((back ? -1 : 1) * 72) + (back ? 180 : 0);
  return (
    <svg class="ring" viewBox="0 0 160 160" role="img" aria-label={`Viewed ${stage.viewed ?? "from the front"}; ${stage.item} 1 is at the top, counting goes ${back ? "against" : "with"} the clock here`}>
      <circle cx="80" cy="80" r="40" />
      {blades.map((one, n) => {
        const [a, b] = [at(n, 42), at(n, one.state === "to do" || one.state === "part" ? 52 : 66)];
        return <path key={one.item} class={n === now ? "now" : ""} d={`M${a[0]} ${a[1]}L${b[0]} ${b[1]}`} />;
      })}
      <path class="way" d={arc()} />
      <path class="tip" d="M-4 -3L4 0L-4 3Z" transform={`translate(${tip[0]} ${tip[1]}) rotate(${turn})`} />
      <text x="80" y="76">{stage.item}</text>
      <text x="80" y="95" class="number">{blades[now]?.item}</text>
      <text x={at(0, 74)[0]} y={at(0, 74)[1] + 4} class="one">1</text>
    </svg>
  );
}

function Legend({ blades }: { blades: Blade[] }): JSX.Element {
  return (
    <ul class="legend" aria-label="What the shapes say">
      {[...WORST].reverse().map((state) => ({ state, count: blades.filter((one) => one.state === state).length })).filter((row) => row.count).map(({ state, count }) => (
        <li key={state}>
          {state === "to do" || state === "part" || state === "to mark" ? <i class={`box ${state.replace(" ", "-")}`} /> : <Shape name={state} />}
          {BLADE_WORDS[state]}, {count}
        </li>
      ))}
    </ul>
  );
}

function InHand({ inspection, stage, blade, say, open, changed }: {
  inspection: Inspection; stage: Stage; blade: Blade; say: (state: LookState, reason?: string) => Promise<void>; open: () => void; changed: (now: Inspection) => void;
}): JSX.Element {
  const [reason, setReason] = useState<string | null>(null);
  useEffect(() => setReason(null), [blade.item]);
  const captured = blade.looks.some((look) => look.evidence.some((e) => e.kind === "capture"));
  const sealed = inspection.state === "signed";
  return (
    <section class="in-hand" aria-label={`${stage.item} ${blade.item}`}>
      <header>
        <h2>{capital(stage.item)} {blade.item}</h2>
        <p class="quiet">{BLADE_WORDS[blade.state]}</p>
      </header>
      <div class="in-hand-looks">
        {stage.looks.map((look) => (
          <LookCard key={`${blade.item} ${look.name}`} inspection={inspection} stage={stage} blade={blade} look={look.name} port={look.port} changed={changed} />
        ))}
      </div>
      <div class="in-hand-found">
        {blade.found.map((one) => (
          <a key={one.id} class="found-line" href={wayTo("inspection", inspection.identity, "look", one.capture)}>
            <span>{one.id} {kindWords(one.kind).toLowerCase()}{one.zone ? `, ${one.zone}` : ""}</span>
            <strong>{one.values[0] ? one.values[0][unit.value] : "not measured"}</strong>
            {one.outcome && <Outcome name={one.outcome} />}
          </a>
        ))}
      </div>
      {!sealed && (
        <div class="in-hand-acts">
          <button class="first" onClick={() => void say("done, nothing found")}>Clean, next {stage.item} <kbd>C</kbd></button>
          <button disabled={!captured} onClick={open}>{blade.found.length ? "Open the capture" : "Mark damage"} <kbd>Enter</kbd></button>
          {reason === null ? <button onClick={() => setReason("")}>Could not be seen</button> : (
            <form class="why" onSubmit={(e) => { e.preventDefault(); if (reason.trim()) void say("could not be seen", reason.trim()).then(() => setReason(null)); }}>
              <label class="sr" for="why">Why could it not be seen?</label>
              <input id="why" placeholder="Why? Such as: behind the bracket" value={reason} maxLength={500} onInput={(e) => setReason(e.currentTarget.value)} autofocus />
              <button disabled={!reason.trim()}>Write down</button>
            </form>
          )}
          {blade.looks.some((look) => look.state !== "to do" && look.state !== "findings") && <button class="plain" onClick={() => void say("to do")}>Back to do</button>}
        </div>
      )}
    </section>
  );
}

function LookCard({ inspection, stage, blade, look, port, changed }: {
  inspection: Inspection; stage: Stage; blade: Blade; look: string; port: string | null; changed: (now: Inspection) => void;
}): JSX.Element {
  const said = blade.looks.find((one) => one.look === look);
  const [over, setOver] = useState(false);
  const [taking, setTaking] = useState(false);
  const choose = useRef<HTMLInputElement>(null);
  const take = async (files: { file: File; name: string }[]): Promise<void> => {
    if (!files.length) return;
    setTaking(true);
    try {
      const done = await postFiles<{ taken: Evidence[]; passed: string[]; inspection: Inspection }>(
        `/api/inspections/${encodeURIComponent(inspection.identity)}/files`, { stage: stage.name, item: blade.item, look }, files);
      changed(done.inspection);
      tell([`${plural(done.taken.length, "capture or photo", "captures or photos")} taken in.`, ...done.passed].join("\n"));
    } catch (error) {
      tell((error as Error).message);
    } finally {
      setTaking(false);
    }
  };
  const drop = async (event: DragEvent): Promise<void> => {
    event.preventDefault();
    setOver(false);
    const entries = [...(event.dataTransfer?.items ?? [])].map((item) => item.webkitGetAsEntry()).filter((entry) => entry !== null);
    const files: { file: File; name: string }[] = [];
    for (const entry of entries) await gather(entry, files);
    await take(files);
  };
  return (
    <div class={over ? "look-card over" : "look-card"} onDragOver={(e) => { e.preventDefault(); setOver(true); }} onDragLeave={() => setOver(false)} onDrop={(e) => void drop(e)}>
      <div class="look-card-head">
        <strong>{capital(look)}</strong>
        <span class="quiet">{[port ? `port ${port}` : "", STATE_WORDS[said?.state ?? "to do"], said?.reason].filter(Boolean).join(", ")}</span>
      </div>
      <div class="evidence">
        {said?.evidence.map((one) =>
          one.kind === "capture" ? (
            <a key={one.sha256} href={wayTo("inspection", inspection.identity, "look", one.sha256)}><img src={`/api/captures/${one.sha256}/photo`} alt={`Capture ${one.name}`} loading="lazy" /><span>{one.name}</span></a>
          ) : <span key={one.sha256} class="other">{one.kind}: {one.name}</span>)}
        <button class="drop" disabled={taking} onClick={() => choose.current?.click()}>{taking ? "Taking it in …" : "Drop a capture or photo here, or choose a zip or photo"}</button>
        <input ref={choose} type="file" hidden multiple accept=".zip,.png,.tif,.tiff,.jpg,.jpeg,.mp4,.mov" aria-label="Files" onChange={(e) => void take([...(e.currentTarget.files ?? [])].map((file) => ({ file, name: file.name })))} />
      </div>
    </div>
  );
}

/** All files below what was dropped, each under its path. */
async function gather(entry: FileSystemEntry, files: { file: File; name: string }[]): Promise<void> {
  if (entry.isFile) {
    const file = await new Promise<File>((done, failed) => (entry as FileSystemFileEntry).file(done, failed));
    files.push({ file, name: entry.fullPath.replace(/^\//, "") });
    return;
  }
  const reader = (entry as FileSystemDirectoryEntry).createReader();
  for (;;) {
    const some = await new Promise<FileSystemEntry[]>((done, failed) => reader.readEntries(done, failed));
    if (!some.length) return;
    for (const one of some) await gather(one, files);
  }
}

const capital = (words: string): string => words.charAt(0).toUpperCase() + words.slice(1);
