// A new inspection: from a work card file, or from what the card would say.
import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import { Frame } from "./app";
import { post } from "./server";
import { go } from "./state";
import type { Inspection } from "./types";
import "./style/forms.css";

interface StageSaid { name: string; part: string; items: string; item: string; looks: string; viewed: string; numbered: string }
const EMPTY: StageSaid = { name: "", part: "", items: "", item: "blade", looks: "pressure side", viewed: "", numbered: "" };

export function NewInspection(): JSX.Element {
  const [order, setOrder] = useState("");
  const [serial, setSerial] = useState("");
  const [type, setType] = useState("");
  const [hours, setHours] = useState("");
  const [cycles, setCycles] = useState("");
  const [stages, setStages] = useState<StageSaid[]>([{ ...EMPTY }]);
  const [limits, setLimits] = useState<{ name: string; text: string } | null>(null);
  const [wrong, setWrong] = useState<string[]>([]);
  const [busy, setBusy] = useState(false);
  const card = useRef<HTMLInputElement>(null);
  const book = useRef<HTMLInputElement>(null);

  const begin = async (body: Record<string, unknown>): Promise<void> => {
    setBusy(true);
    setWrong([]);
    try {
      const made = await post<Inspection>("/api/inspections", { ...body, limits_text: limits?.text ?? null });
      go("inspection", made.identity);
    } catch (error) {
      setWrong((error as Error).message.split("\n"));
    } finally {
      setBusy(false);
    }
  };
  const fromForm = (event: Event): void => {
    event.preventDefault();
    const number = (text: string): number | undefined => (text.trim() ? Number(text) : undefined);
    void begin({
      card: {
        format: "fringewise.workcard/1", order: order.trim(),
        engine: { serial: serial.trim(), type: type.trim(), hours: number(hours), cycles: number(cycles) },
        stage: stages.map((one) => ({
          name: one.name.trim(), part: one.part.trim() || `${one.name.trim()} ${one.item.trim()}`, items: Number(one.items), item: one.item.trim(),
          viewed: one.viewed.trim() || undefined, numbered: one.numbered.trim() || undefined,
          looks: one.looks.split(",").map((name) => name.trim()).filter(Boolean).map((name) => ({ name })),
        })),
      },
    });
  };
  const change = (n: number, fields: Partial<StageSaid>): void => setStages(stages.map((one, m) => (m === n ? { ...one, ...fields } : one)));
  return (
    <Frame way={[{ words: "Inspections", to: [] }, { words: "New inspection" }]}>
      <main class="page">
        <form class="wide form" onSubmit={fromForm}>
          <div class="head-row">
            <h1>New inspection</h1>
            <div>
              <button type="button" onClick={() => card.current?.click()}>Take it from a work card file</button>
              <input ref={card} type="file" hidden accept=".toml" aria-label="Work card" onChange={(e) => { const file = e.currentTarget.files?.[0]; if (file) void file.text().then((text) => begin({ card_text: text })); }} />
            </div>
          </div>
          {wrong.length > 0 && <div class="notice" role="alert"><div>{wrong.map((words) => <p key={words}>{words}</p>)}</div></div>}
          <div class="form-row">
            <Field id="order" label="Order" value={order} set={setOrder} needed />
            <Field id="serial" label="Engine, serial number" value={serial} set={setSerial} needed />
            <Field id="type" label="Engine, type" value={type} set={setType} needed />
            <Field id="hours" label="Hours" value={hours} set={setHours} kind="number" />
            <Field id="cycles" label="Cycles" value={cycles} set={setCycles} kind="number" />
          </div>
          {stages.map((one, n) => (
            <fieldset key={n} class="form-stage">
              <legend>Stage {n + 1}</legend>
              <div class="form-row">
                <Field id={`name${n}`} label="Name" hint="compressor 3" value={one.name} set={(name) => change(n, { name })} needed />
                <Field id={`items${n}`} label="How many" value={one.items} set={(items) => change(n, { items })} kind="number" needed />
                <Field id={`item${n}`} label="Of what" value={one.item} set={(item) => change(n, { item })} needed />
                <Field id={`looks${n}`} label="Looks, with commas between" value={one.looks} set={(looks) => change(n, { looks })} needed />
                <Field id={`viewed${n}`} label="Viewed" hint="aft looking forward" value={one.viewed} set={(viewed) => change(n, { viewed })} />
                <Field id={`numbered${n}`} label="How they are counted" hint="1 is the blade with the locking mark" value={one.numbered} set={(numbered) => change(n, { numbered })} />
              </div>
            </fieldset>
          ))}
          <div class="form-acts">
            <button type="button" onClick={() => setStages([...stages, { ...EMPTY }])}>Another stage</button>
            <button type="button" onClick={() => book.current?.click()}>{limits ? `Limits book: ${limits.name}` : "Limits book that applies"}</button>
            <input ref={book} type="file" hidden accept=".toml,.json" aria-label="Limits book" onChange={(e) => { const file = e.currentTarget.files?.[0]; if (file) void file.text().then((text) => setLimits({ name: file.name, text })); }} />
            <button class="first" disabled={busy}>Begin</button>
          </div>
        </form>
      </main>
    </Frame>
  );
}

function Field({ id, label, value, set, hint = "", kind = "text", needed = false }: {
  id: string; label: string; value: string; set: (value: string) => void; hint?: string; kind?: "text" | "number"; needed?: boolean;
}): JSX.Element {
  return (
    <div>
      <label for={id}>{label}</label>
      <input id={id} inputMode={kind === "number" ? "decimal" : "text"} value={value} required={needed} maxLength={200} placeholder={hint} onInput={(e) => set(e.currentTarget.value)} />
    </div>
  );
}
