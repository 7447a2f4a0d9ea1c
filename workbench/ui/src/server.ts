// Asking the service: words of refusals as errors, a lost connection said and mended by itself.
import { signal } from "@preact/signals";

export const lost = signal("");

export class Refused extends Error {
  constructor(readonly status: number, readonly words: string[]) {
    super(words.join("\n"));
  }
}

const GONE = "The workbench does not answer. It is asked again until it does; what you marked is kept in this window.";

async function ask(path: string, options?: RequestInit): Promise<Response> {
  for (;;) {
    try {
      const answer = await fetch(path, options);
      lost.value = "";
      if (answer.ok) return answer;
      throw new Refused(answer.status, await words(answer));
    } catch (error) {
      if (error instanceof Refused || options?.signal?.aborted) throw error;
      lost.value = GONE;
      await new Promise((again) => setTimeout(again, 1000));
    }
  }
}

async function words(answer: Response): Promise<string[]> {
  try {
    const said = (await answer.json()) as { words?: string[] };
    return said.words?.length ? said.words : [`The workbench refused this (${answer.status}).`];
  } catch {
    return [`The workbench refused this (${answer.status}).`];
  }
}

export async function get<T>(path: string): Promise<T> {
  return (await (await ask(path)).json()) as T;
}

export async function getBytes(path: string): Promise<ArrayBuffer> {
  return (await ask(path)).arrayBuffer();
}

export async function getBlob(path: string): Promise<Blob> {
  return (await ask(path)).blob();
}

export async function post<T>(path: string, body?: unknown): Promise<T> {
  const answer = await ask(path, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body ?? {}),
  });
  return (await answer.json()) as T;
}

/** One request in flight; while it is, only the newest of those that come is kept. */
export function newestWins<In, Out>(
  send: (what: In) => Promise<Out>,
  take: (out: Out, what: In) => void,
  refused: (error: unknown) => void,
): (what: In) => void {
  let flying = false;
  let waiting: { what: In } | null = null;
  const next = async (what: In): Promise<void> => {
    flying = true;
    try {
      const out = await send(what);
      if (!waiting) take(out, what);
      else take(out, what);
    } catch (error) {
      refused(error);
    }
    flying = false;
    const later = waiting as { what: In } | null;
    waiting = null;
    if (later) void next(later.what);
  };
  return (what) => {
    if (flying) waiting = { what };
    else void next(what);
  };
}

/** Sends files, each under its path inside what was dropped. */
export async function postFiles<T>(path: string, fields: Record<string, string>, files: { file: File; name: string }[]): Promise<T> {
  const form = new FormData();
  for (const [name, value] of Object.entries(fields)) form.append(name, value);
  for (const { file, name } of files) form.append("files", file, name);
  return (await (await ask(path, { method: "POST", body: form })).json()) as T;
}
