// Fetches small maps as they come into sight, a few at once; an <img> alone could not send the access key.

import { NoAnswer, Refused, ask, ofMachine, patiently, read } from "./api.js";

/** Whether the surroundings are dark; it tells of their change. */
export const dark = window.matchMedia("(prefers-color-scheme: dark)");

const AT_ONCE = 3;
const KEPT = 400; // pictures
const forced = document.documentElement.dataset.theme;
const kept = new Map(); // path -> address of the picture
const waiting = new Map(); // img -> path
let under = 0;

const inSight = new IntersectionObserver((entries) => {
  for (const { target, isIntersecting } of entries) {
    if (!isIntersecting) continue;
    inSight.unobserve(target);
    waiting.set(target, target.dataset.map);
  }
  next();
}, { rootMargin: "200px" });

/** Show in an <img> the bed as a survey found it; the picture before stays until this one is there. */
export function picture(img, id, number, scale) {
  const theme = (forced || (dark.matches ? "dark" : "light")) === "dark" ? "&theme=dark" : "";
  const path = `${ofMachine(id, "surveys", number, "thumbnail")}?scale=${scale}${theme}`;
  if (img.dataset.map === path) return;
  img.dataset.map = path;
  if (kept.has(path)) img.src = kept.get(path);
  else inSight.observe(img);
}

function next() {
  while (under < AT_ONCE && waiting.size) {
    const [[img, path]] = waiting;
    waiting.delete(img);
    under += 1;
    fetched(path).then((address) => {
      if (img.dataset.map !== path) return;
      if (address) img.src = address;
      else delete img.dataset.map; // so it is asked for again when it is shown again
    }).finally(() => {
      under -= 1;
      next();
    });
  }
}

async function fetched(path) {
  if (kept.has(path)) return kept.get(path);
  try {
    const drawn = await patiently(() => ask(path, { headers: { accept: "image/svg+xml" } }));
    const address = URL.createObjectURL(await read(drawn, "blob"));
    kept.set(path, address);
    if (kept.size > KEPT) {
      const [[oldest, gone]] = kept;
      kept.delete(oldest);
      URL.revokeObjectURL(gone);
    }
    return address;
  } catch (error) {
    if (!(error instanceof NoAnswer || error instanceof Refused)) throw error;
    return null; // the row says in words how it stands
  }
}
