// The sheet beside the photo: begins with the damage, says its size and its doubt, and what to do next.
import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import { Pictogram } from "../parts/pictograms";
import { Outcome, Shape } from "../parts/shapes";
import { kinds, unit } from "../state";
import type { Answer, Finding, Result, Value } from "../types";
import { ANSWER_WORDS, KIND_GROUPS, kindWords, ZONES } from "../words";
import { isMarked, kindOf } from "./marking";
import type { LookModel } from "./model";

export function Sheet({ model, leave }: { model: LookModel; leave: () => void }): JSX.Element {
  const finding = model.finding.value;
  return (
    <aside class="sheet" aria-label="What was found">
      <Found model={model} />
      <div class="sheet-body">
        {!model.inspection.value ? <p class="waits">Opening …</p> : model.choosing.value || !finding ? <Choosing model={model} /> : <One model={model} finding={finding} />}
      </div>
      <Acts model={model} leave={leave} />
    </aside>
  );
}

/** Everything found on this capture, and room for more. */
function Found({ model }: { model: LookModel }): JSX.Element | null {
  const all = model.findings.value;
  if (!all.length) return null;
  return (
    <ul class="found" aria-label="Found on this capture">
      {all.map((one) => {
        const result = model.results.value[one.id];
        const now = one.id === model.chosen.value && !model.choosing.value;
        return (
          <li key={one.id}>
            <button class="plain" aria-pressed={now} onClick={() => model.choose(one.id)}>
              <Shape name={result?.verdict?.outcome ?? (result?.status === "not_measured" ? "not_measured" : "marked")} />
              {one.id} {kindWords(one.kind).toLowerCase()}
            </button>
          </li>
        );
      })}
      <li><button class="plain" aria-pressed={model.choosing.value} onClick={() => model.choose(null)}>Another</button></li>
    </ul>
  );
}

function Choosing({ model }: { model: LookModel }): JSX.Element {
  return (
    <section class="choosing" aria-labelledby="what">
      <h2 id="what">What do you see?</h2>
      {KIND_GROUPS.map((group) => (
        <div key={group.title} role="group" aria-label={group.title}>
          <h3>{group.title}</h3>
          <ul>
            {group.kinds.map((name) => {
              const kind = kinds.value.find((one) => one.name === name);
              if (!kind) return null;
              const only = !kind.measured && !["observation", "object"].includes(name);
              return (
                <li key={name}>
                  <button class="kind" onClick={() => model.begin(name)}>
                    <Pictogram kind={name} />
                    <span>{kindWords(name)}{only && <small>marked, not sized yet</small>}</span>
                  </button>
                </li>
              );
            })}
          </ul>
        </div>
      ))}
    </section>
  );
}

function One({ model, finding }: { model: LookModel; finding: Finding }): JSX.Element {
  const result = model.result.value;
  return (
    <>
      <div class="one-title">
        <Pictogram kind={finding.kind} />
        <div>
          <h2>{kindWords(finding.kind)}</h2>
          <p class="quiet small">{finding.id}{finding.zone ? `, ${finding.zone}` : ""}</p>
        </div>
        <button class="plain" onClick={() => model.takeAway()}>Take away</button>
      </div>
      <Size model={model} finding={finding} result={result} />
      <div class="asked">
        <Where model={model} finding={finding} />
        <Answers model={model} finding={finding} />
      </div>
      {result && result.quantities.length > 0 && <Doubt value={result.quantities[0]!} quick={!!result.quick} />}
      <Note key={finding.id} model={model} finding={finding} />
    </>
  );
}

function Size({ model, finding, result }: { model: LookModel; finding: Finding; result: Result | null }): JSX.Element {
  const kind = kindOf(finding);
  if (!isMarked(finding)) return <p class="waits">Its size appears here as soon as it is marked.</p>;
  if (kind && !kind.measured) return <p class="waits">It is marked. This version does not size a {kindWords(finding.kind).toLowerCase()} yet.</p>;
  if (!result) return <p class="waits" role="status">Measuring …</p>;
  const [first, ...others] = result.quantities;
  return (
    <section class="size" aria-live="polite">
      {first ? (
        <>
          <p class="size-name">{capital(first.spoken)}</p>
          <p class={`size-value ${result.quick || model.working.value ? "moving" : ""}`} style={{ fontSize: `min(50px, calc(100cqi / ${(0.565 * first[unit.value].length).toFixed(2)}))` }}>
            {first[unit.value]}
          </p>
          {others.length > 0 && (
            <dl>{others.map((one) => <div key={one.name}><dt>{capital(one.spoken)}</dt><dd>{one[unit.value]}</dd></div>)}</dl>
          )}
        </>
      ) : (
        <div class="notice" role="status"><Shape name="not_measured" /><div><p><strong>Not measured.</strong></p><p>{sentence(result.reason)}</p></div></div>
      )}
      {result.verdict && <VerdictSaid result={result} />}
      {result.warnings.length > 0 && (
        <ul class="warnings">{result.warnings.map((words) => <li key={words}>{sentence(words)}</li>)}</ul>
      )}
    </section>
  );
}

function VerdictSaid({ result }: { result: Result }): JSX.Element {
  const verdict = result.verdict!;
  const open = verdict.provisional.length > 0;
  return (
    <div class={`verdict ${result.quick ? "moving" : ""}`}>
      <p class="verdict-name"><Outcome name={verdict.outcome} />{open && <span class="provisional">provisional</span>}</p>
      {verdict.grounds.map((words) => <p key={words}>{capital(words)}.</p>)}
      {verdict.would_decide && <p class="do-next">{sentence(verdict.would_decide)}</p>}
      {open && (
        <details>
          <summary>Why it does not stand yet</summary>
          <ul>{verdict.provisional.map((words) => <li key={words}>{sentence(words)}</li>)}</ul>
        </details>
      )}
    </div>
  );
}

/** Where the ± comes from: one bar a source, as long as what it adds. */
function Doubt({ value, quick }: { value: Value; quick: boolean }): JSX.Element {
  const most = Math.max(...value.budget.map((line) => line.standard_uncertainty), 1e-12);
  const micro = (mm: number): string => (value.unit === "mm" && unit.value === "mm" ? (mm < 0.00005 ? "under 0.1\u2009µm" : `${(mm * 1000).toFixed(mm < 0.0095 ? 1 : 0)}\u2009µm`) : "");
  return (
    <details class="doubt" open={!quick}>
      <summary>Where the ± comes from</summary>
      <ul>
        {value.budget.map((line) => (
          <li key={line.source}>
            <span>{line.source}</span>
            <svg viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true"><rect width={Math.max((100 * line.standard_uncertainty) / most, 1)} height="8" /></svg>
            <span>{micro(line.standard_uncertainty)}</span>
          </li>
        ))}
      </ul>
      <p class="small quiet">
        ± is {value.coverage_factor.toFixed(value.coverage_factor === 2 ? 0 : 1)} × the standard uncertainty {micro(value.standard_uncertainty)}: the squares of the lines above, added.
      </p>
      {value.not_included.map((words) => <p key={words} class="small left-out">Not included: {words}.</p>)}
    </details>
  );
}

/** The part as seen from its front, flow from the left; each zone is a field to press. */
function Where({ model, finding }: { model: LookModel; finding: Finding }): JSX.Element {
  return (
    <fieldset class="where">
      <legend>Where on the {part(model)}?</legend>
      <div class="blade-map">
        <svg viewBox="0 0 156 196" aria-hidden="true"><path d="M30 6 Q80 -2 128 8 Q138 80 124 150 L140 156 L140 190 L14 190 L14 156 L34 150 Q14 78 30 6 Z" /></svg>
        {ZONES.map((zone) => (
          <button key={zone} class={`zone zone-${zone.replace(" ", "-")}`} aria-pressed={finding.zone === zone} onClick={() => model.edit({ zone: finding.zone === zone ? "" : zone })}>
            <span>{zone}</span>
          </button>
        ))}
      </div>
    </fieldset>
  );
}

const part = (model: LookModel): string => {
  const place = model.place.value;
  return model.inspection.value?.stages.find((stage) => stage.name === place?.stage)?.item ?? "part";
};

const ASKED: Record<string, string[]> = {
  crack: ["whole_extent_in_view", "reaches_edge"], path: ["whole_extent_in_view"], dent: ["whole_extent_in_view", "sharp_bottom", "tear_or_crack"],
  gouge: ["whole_extent_in_view", "sharp_bottom", "tear_or_crack"], edge_nick: ["whole_extent_in_view", "sharp_bottom", "tear_or_crack"],
};

function Answers({ model, finding }: { model: LookModel; finding: Finding }): JSX.Element {
  const asked = ASKED[finding.kind] ?? ["whole_extent_in_view"];
  return (
    <div class="answers">
      {asked.map((name) => (
        <fieldset key={name}>
          <legend>{ANSWER_WORDS[name]}</legend>
          <div>
            {(["yes", "no", "not known"] as Answer[]).map((answer) => (
              <button key={answer} class="plain" aria-pressed={((finding[name] as Answer | undefined) ?? "not known") === answer} onClick={() => model.edit({ [name]: answer })}>{answer}</button>
            ))}
          </div>
        </fieldset>
      ))}
    </div>
  );
}

function Note({ model, finding }: { model: LookModel; finding: Finding }): JSX.Element {
  const [words, setWords] = useState(finding.note ?? "");
  return (
    <div class="note">
      <label for="note">Note</label>
      <textarea id="note" rows={2} value={words} maxLength={2000} onInput={(e) => setWords(e.currentTarget.value)} onBlur={() => words !== (finding.note ?? "") && model.edit({ note: words })} />
    </div>
  );
}

function Acts({ model, leave }: { model: LookModel; leave: () => void }): JSX.Element {
  const unkept = model.unkept.value;
  const corrected = useRef<HTMLInputElement>(null);
  const keep = async (): Promise<void> => {
    if (await model.keep(corrected.current?.value ?? "")) leave();
  };
  return (
    <div class="sheet-acts">
      {!unkept && <p class="small quiet">{model.findings.value.length ? "All of it is on record." : "Nothing marked yet."}</p>}
      <button class="first" disabled={!unkept || model.saving.value} onClick={() => void keep()}>
        {model.saving.value ? "Keeping …" : "Keep and go on"} <kbd>K</kbd>
      </button>
    </div>
  );
}

const capital = (words: string): string => words.charAt(0).toUpperCase() + words.slice(1);
const sentence = (words: string): string => {
  const said = capital(words.trim());
  return /[.!?]$/.test(said) ? said : `${said}.`;
};
