// What every view shares: where we are, unit and theme, who works here, words for a person.
import { computed, effect, signal } from "@preact/signals";
import type { Bench, Kind, Unit } from "./types";

export const bench = signal<Bench | null>(null);
export const kinds = signal<Kind[]>([]);
export const told = signal("");

const kept = (name: string): string | null => {
  try {
    return localStorage.getItem(`fringewise ${name}`);
  } catch {
    return null;
  }
};
const keep = (name: string, value: string): void => {
  try {
    localStorage.setItem(`fringewise ${name}`, value);
  } catch {
    // a browser that keeps nothing: chosen again next time
  }
};

export const unit = signal<Unit>((kept("unit") as Unit) ?? "mm");
const dark = matchMedia("(prefers-color-scheme: dark)");
export const theme = signal<"light" | "dark">((kept("theme") as "light" | "dark") ?? (dark.matches ? "dark" : "light"));

effect(() => keep("unit", unit.value));
effect(() => {
  document.documentElement.dataset["theme"] = theme.value;
});
export function turnTheme(): void {
  theme.value = theme.value === "dark" ? "light" : "dark";
  keep("theme", theme.value);
}
export function unitFrom(said: Unit): void {
  if (!kept("unit")) unit.value = said;
}

export const hash = signal(location.hash);
addEventListener("hashchange", () => {
  hash.value = location.hash;
});

/** The parts of the address behind the #, decoded. */
export const way = computed(() =>
  hash.value
    .replace(/^#\/?/, "")
    .split("/")
    .filter(Boolean)
    .map((part) => {
      try {
        return decodeURIComponent(part);
      } catch {
        return part;
      }
    }),
);

export function wayTo(...parts: string[]): string {
  return `#/${parts.map(encodeURIComponent).join("/")}`;
}

export function go(...parts: string[]): void {
  location.hash = wayTo(...parts);
}

let telling = 0;
export function tell(words: string): void {
  told.value = words;
  clearTimeout(telling);
  telling = window.setTimeout(() => (told.value = ""), Math.max(6000, 70 * words.length));
}
