// The frame round every view: where we are, what is lost, what was said.
import type { ComponentChildren, JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import { Inspections } from "./inspections";
import { LookView } from "./look/view";
import { get, lost } from "./server";
import { NewInspection } from "./new";
import { ReportView } from "./report";
import { StageView } from "./stage";
import { bench, kinds, told, turnTheme, theme, unit, unitFrom, way, wayTo } from "./state";
import type { Bench, Kind } from "./types";

export function App(): JSX.Element {
  const [failed, setFailed] = useState("");
  useEffect(() => {
    void (async () => {
      try {
        bench.value = await get<Bench>("/api/bench");
        unitFrom(bench.value.unit);
        kinds.value = await get<Kind[]>("/api/kinds");
      } catch (error) {
        setFailed(String((error as Error).message));
      }
    })();
  }, []);
  if (failed) return <p class="waiting" role="alert">{failed}</p>;
  if (!bench.value) return <p class="waiting">Opening the workbench …</p>;
  return <View />;
}

function View(): JSX.Element {
  const [first, second, third, fourth] = way.value;
  if (first === "inspection" && second) {
    if (third === "look" && fourth) return <LookView key={`${second} ${fourth}`} identity={second} sha256={fourth} />;
    if (third === "report") return <ReportView key={second} identity={second} />;
    return <StageView key={second} identity={second} stage={third === "stage" ? fourth : undefined} />;
  }
  if (first === "new") return <NewInspection />;
  return <Inspections />;
}

export interface Step { words: string; to?: string[] }

/** A view: the way to it above, the view itself below. */
export function Frame({ way: steps, side, children }: { way: Step[]; side?: ComponentChildren; children: ComponentChildren }): JSX.Element {
  useEffect(() => {
    document.title = `${steps.at(-1)?.words ?? "Workbench"} · Fringewise`;
  }, [steps.at(-1)?.words]);
  return (
    <div class="frame">
      <header>
        <div class="top">
          <nav aria-label="Where you are">
            <a class="mark" href="#/"><img src="/mark.svg" alt="" /><span>Fringewise</span></a>
            {steps.map((step) => (
              <>
                <span class="then" aria-hidden="true">›</span>
                {step.to ? <a href={wayTo(...step.to)}>{step.words}</a> : <span class="here" aria-current="page">{step.words}</span>}
              </>
            ))}
          </nav>
          <div class="side">
            {side}
            <button class="plain" onClick={() => (unit.value = unit.value === "mm" ? "in" : "mm")} aria-label={`Lengths are in ${unit.value === "mm" ? "millimetres" : "inches"}; change`}>
              {unit.value === "mm" ? "mm" : "in"}
            </button>
            <button class="plain" onClick={turnTheme} aria-label={theme.value === "dark" ? "Change to light" : "Change to dark"}>
              {theme.value === "dark" ? "Light" : "Dark"}
            </button>
          </div>
        </div>
        {lost.value && <div class="lost" role="alert">{lost.value}</div>}
      </header>
      {children}
      <Told />
    </div>
  );
}

function Told(): JSX.Element {
  return (
    <div aria-live="polite">
      {told.value && (
        <div class="told"><span>{told.value}</span><button onClick={() => (told.value = "")}>Close</button></div>
      )}
    </div>
  );
}
