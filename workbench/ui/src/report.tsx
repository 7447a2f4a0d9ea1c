// From marked damage to a signed report: what the limits say, what is missing, submission, signature.
import type { JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import { Frame } from "./app";
import { Outcome } from "./parts/shapes";
import { get, post } from "./server";
import { unit, wayTo } from "./state";
import type { Inspection } from "./types";
import { kindWords, moment, plural } from "./words";
import "./style/forms.css";

interface Standing {
  inspection: Inspection;
  limits: { title: string; in_force: boolean; lines: string[] } | null;
  verdicts: {
    outcome: string; statement: string; caution: string; decision_rule: string;
    findings: { id: string; outcome: string; statement: string; provisional: string[] }[]; counts: { state: string; statement: string }[];
  } | null;
  record_sha256: string; unseen: string[]; said: string[]; signed_by: string | null; signed_at: string | null; roles: string[];
}

export function ReportView({ identity }: { identity: string }): JSX.Element {
  const [now, setNow] = useState<Standing | null>(null);
  const [wrong, setWrong] = useState<string[]>([]);
  const [busy, setBusy] = useState(false);
  const path = `/api/inspections/${encodeURIComponent(identity)}`;
  const run = async (work: Promise<Standing>): Promise<void> => {
    setBusy(true);
    setWrong([]);
    try {
      setNow(await work);
    } catch (error) {
      setWrong((error as Error).message.split("\n"));
    } finally {
      setBusy(false);
    }
  };
  useEffect(() => void run(get<Standing>(`${path}/standing`)), [identity]);
  return (
    <Frame way={[{ words: "Inspections", to: [] }, { words: identity, to: ["inspection", identity] }, { words: "Report" }]}>
      <main class="page">
        <div class="wide standing">
          <div class="head-row">
            <div>
              <h1>{identity}</h1>
              {now && <p class="quiet">Engine {now.inspection.engine.serial}, {now.inspection.engine.type}. {now.inspection.state === "signed" ? `Signed by ${now.signed_by}, ${moment(now.signed_at ?? "")}` : now.inspection.state === "submitted" ? "Submitted, waiting for its reviewer" : "Open"}.</p>}
            </div>
            {now && <a class="button" target="_blank" rel="noopener" href={`${path}/report?unit=${unit.value}`}>{now.inspection.state === "signed" ? "Report as PDF" : "Draft report as PDF"}</a>}
          </div>
          {wrong.length > 0 && <div class="notice" role="alert"><div>{wrong.map((words) => <p key={words}>{words}</p>)}</div></div>}
          {!now && !wrong.length && <p class="quiet">Opening …</p>}
          {now && (
            <>
              <Outcomes now={now} busy={busy} ask={() => void run(post<Standing>(`${path}/verdicts`))} />
              <Limits now={now} />
              <Closing key={now.inspection.state} now={now} busy={busy} send={(what, body) => void run(post<Standing>(`${path}/${what}`, body))} />
            </>
          )}
        </div>
      </main>
    </Frame>
  );
}

function Outcomes({ now, busy, ask }: { now: Standing; busy: boolean; ask: () => void }): JSX.Element {
  const said = new Map((now.verdicts?.findings ?? []).map((one) => [one.id, one]));
  return (
    <section>
      <div class="section-head">
        <h2>{now.inspection.findings.length ? plural(now.inspection.findings.length, "finding") : "Nothing was found"}</h2>
        {now.inspection.state !== "signed" && now.inspection.findings.length > 0 && (
          <button disabled={busy || !now.limits} onClick={ask}>{now.verdicts ? "Ask the limits again" : "Ask the limits"}</button>
        )}
      </div>
      {now.verdicts && <p class="overall"><Outcome name={now.verdicts.outcome} /> <span>{now.verdicts.statement}</span></p>}
      {now.verdicts?.counts.map((one) => <p key={one.statement} class="notice">{one.statement}</p>)}
      <ul class="lines">
        {now.inspection.findings.map((one) => {
          const verdict = said.get(one.id);
          return (
            <li key={one.id}>
              <a href={wayTo("inspection", now.inspection.identity, "look", one.capture)}>
                <span class="line-where">{one.item}<small>{one.stage}</small></span>
                <span>{one.id} {kindWords(one.kind).toLowerCase()}{one.zone ? `, ${one.zone}` : ""}</span>
                <strong>{one.values[0] ? one.values[0][unit.value] : "not measured"}</strong>
                <span>{verdict ? <Outcome name={verdict.outcome} /> : <span class="quiet">limits not asked</span>}</span>
                <span class="line-words">{verdict?.statement || one.reason}{verdict?.provisional.map((words) => <small key={words}>Does not stand yet: {words}</small>)}</span>
              </a>
            </li>
          );
        })}
      </ul>
      {now.verdicts?.caution && <p class="small quiet">{now.verdicts.caution}</p>}
    </section>
  );
}

function Limits({ now }: { now: Standing }): JSX.Element {
  if (!now.limits) return <p class="notice">This inspection was begun without a limits book: it gives sizes, no outcomes.</p>;
  return (
    <details class="limits">
      <summary><h2>{now.limits.title}</h2><span class="quiet">{now.limits.in_force ? "in force" : "not in force"}</span></summary>
      <pre tabIndex={0}>{now.limits.lines.join("\n")}</pre>
    </details>
  );
}

function Closing({ now, busy, send }: { now: Standing; busy: boolean; send: (what: string, body: unknown) => void }): JSX.Element | null {
  const [words, setWords] = useState("");
  const [secret, setSecret] = useState("");
  const [incomplete, setIncomplete] = useState(false);
  if (now.inspection.state === "signed") return null;
  const missing = now.unseen.length;
  const reviewing = now.inspection.state === "submitted";
  const body = { record_sha256: now.record_sha256, incomplete: missing > 0 && incomplete, statement: words };
  return (
    <section class="closing">
      <h2>{reviewing ? "Review and sign" : "Submit for review"}</h2>
      {missing > 0 && (
        <div class="notice"><div>
          <p><strong>{plural(missing, "look is", "looks are")} missing.</strong></p>
          <p>{now.unseen.slice(0, 6).join(" · ")}{missing > 6 ? ` and ${missing - 6} more` : ""}</p>
        </div></div>
      )}
      {now.said.map((one) => <p key={one} class="notice">{one}</p>)}
      <form onSubmit={(e) => { e.preventDefault(); send(reviewing ? "signature" : "submission", reviewing ? { ...body, passphrase: secret } : body); }}>
        <div><label for="statement">What is said with it</label><textarea id="statement" rows={2} value={words} maxLength={2000} onInput={(e) => setWords(e.currentTarget.value)} /></div>
        {missing > 0 && <label class="tick"><input type="checkbox" checked={incomplete} onChange={(e) => setIncomplete(e.currentTarget.checked)} /> As incomplete, although looks are missing</label>}
        {reviewing && (now.roles.includes("reviewer")
          ? <div><label for="secret">Passphrase of your key</label><input id="secret" type="password" autocomplete="off" value={secret} onInput={(e) => setSecret(e.currentTarget.value)} /></div>
          : <p class="quiet">A reviewer signs it; you work here as technician.</p>)}
        <button class="first" disabled={busy || (missing > 0 && !incomplete) || (reviewing && !now.roles.includes("reviewer"))}>{reviewing ? "Sign and seal" : "Submit"}</button>
      </form>
    </section>
  );
}
