// The list of inspections; where there is none yet, the demo is offered.
import type { JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import { Frame } from "./app";
import { Outcome } from "./parts/shapes";
import { get, post } from "./server";
import { bench, go, tell, wayTo } from "./state";
import type { Overview } from "./types";
import { moment, plural } from "./words";
import "./style/inspections.css";

export function Inspections(): JSX.Element {
  const [list, setList] = useState<Overview[] | null>(null);
  const [sought, setSought] = useState("");
  const load = (): void => void get<Overview[]>("/api/inspections").then(setList, (e: Error) => tell(e.message));
  useEffect(load, []);
  const words = sought.toLowerCase().split(/\s+/).filter(Boolean);
  const shown = (list ?? []).filter((one) => {
    const all = `${one.identity} ${one.order} ${one.engine} ${one.engine_type} ${one.state} ${one.outcome}`.toLowerCase();
    return words.every((word) => all.includes(word));
  });
  return (
    <Frame way={[{ words: "Inspections" }]}>
      <main class="page">
        <div class="wide">
          {list?.length === 0 ? <Welcome made={load} /> : (
            <>
              <div class="head-row">
                <h1>Inspections</h1>
                <div class="finder">
                  <label class="sr" for="find">Find an inspection</label>
                  <input id="find" type="search" placeholder="Find by order, engine or outcome" value={sought} onInput={(e) => setSought(e.currentTarget.value)} />
                  <NewButton />
                </div>
              </div>
              {list && <Cards list={shown} sought={sought} />}
            </>
          )}
        </div>
      </main>
    </Frame>
  );
}

function NewButton(): JSX.Element {
  return <button class="first" onClick={() => go("new")}>New inspection</button>;
}

function Cards({ list, sought }: { list: Overview[]; sought: string }): JSX.Element {
  if (!list.length) return <p class="quiet">No inspection fits “{sought}”.</p>;
  return (
    <ul class="cards">
      {list.map((one) => <li key={one.identity}><Card one={one} /></li>)}
    </ul>
  );
}

function Card({ one }: { one: Overview }): JSX.Element {
  const done = one.looks - one.looks_left;
  return (
    <a class="card" href={wayTo("inspection", one.identity)}>
      <span class="card-name"><strong>{one.order}</strong>{one.invented && <em>invented</em>}</span>
      <span class="card-engine">{one.engine}<small>{one.engine_type}</small></span>
      <span class="card-left">
        <span>{one.looks_left === 0 ? "All looked at" : `${one.looks_left} of ${plural(one.looks, "look")} left`}</span>
        <progress value={done} max={Math.max(one.looks, 1)} aria-label={`${done} of ${one.looks} looks done`} />
      </span>
      <span class="card-found">{one.findings ? plural(one.findings, "finding") : "nothing found"}</span>
      <span class="card-outcome">{one.outcome ? <Outcome name={one.outcome} /> : <span class="quiet">no limits asked yet</span>}</span>
      <span class="card-state">{one.state}<small>{moment(one.changed_at)}</small></span>
    </a>
  );
}

interface DemoTold { state: string; done: number; of: number; identity: string; words: string }

function Welcome({ made }: { made: () => void }): JSX.Element {
  const [demo, setDemo] = useState<DemoTold | null>(null);
  const running = demo?.state === "being made";
  useEffect(() => {
    if (!running) return;
    const timer = setInterval(() => {
      void get<DemoTold>("/api/demo").then((now) => {
        setDemo(now);
        if (now.state === "ready") go("inspection", now.identity);
      });
    }, 700);
    return () => clearInterval(timer);
  }, [running]);
  const begin = async (): Promise<void> => {
    try {
      const now = await post<DemoTold>("/api/demo");
      setDemo(now);
      if (now.state === "ready") made();
    } catch (error) {
      tell((error as Error).message);
    }
  };
  return (
    <div class="welcome">
      <h1>Nothing has been inspected here yet</h1>
      <p>
        Try the whole job on an invented engine first: 36 blades, rendered as a head would see them, one dent left for you
        to mark. Everything in it is invented and marked so.
      </p>
      <div class="welcome-acts">
        <button class="first" disabled={running} onClick={() => void begin()}>
          {running ? "Making the demo inspection …" : "Make the demo inspection"}
        </button>
        <button onClick={() => go("new")}>New inspection</button>
      </div>
      {running && (
        <p class="quiet" role="status">
          {demo.done} of {demo.of} blades rendered and measured. This takes about a minute.
          <progress value={demo.done} max={demo.of} aria-label="Blades made" />
        </p>
      )}
      {demo?.state === "failed" && <p class="notice" role="alert">{demo.words}</p>}
      <p class="small quiet">{bench.value?.program} · you work as {bench.value?.person}</p>
    </div>
  );
}
