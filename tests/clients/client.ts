// A correction, a problem and a batch, through the types that openapi-typescript writes and openapi-fetch.
// Usage: node client.js URL PAYLOAD

import { readFileSync } from "node:fs";
import createClient from "openapi-fetch";
import type { components, paths } from "./schema.js";

type Schemas = components["schemas"];
type Line = Schemas["MovesLine"] | Schemas["Refusal"] | Schemas["BatchSummary"];

const [url = "", payload = ""] = process.argv.slice(2);
const request: Schemas["CorrectionRequest"] = JSON.parse(readFileSync(payload, "utf8"));

// An answer comes in several types of content; the second parameter says which of them are asked for.
const client = createClient<paths, "application/json" | "application/problem+json">({ baseUrl: url });

const { data, error } = await client.POST("/v1/corrections", { body: request });
if (error) throw new Error(error.detail);
const total: number = data.predicted.total;
const expanded: number = data.predicted.expanded;
const travels = Object.fromEntries(data.moves.map((move) => [move.adjuster, move.travel]));

const survey = { ...request.survey, readings: request.survey.readings.slice(0, 2) };
const refused = await client.POST("/v1/corrections", { body: { ...request, survey } });
if (!refused.error) throw new Error("two stations should not do");
// @ts-expect-error: errors are typed, so a field that no problem has does not compile
void refused.error.message;

const streams = createClient<paths, "application/octet-stream" | "application/problem+json">({ baseUrl: url });
const sent: Schemas["BatchLine"][] = [
  { id: "first", machine: request.machine, survey: request.survey },
  { id: "second", machine: request.machine.id ?? "machine", survey },
];
const batch = await streams.POST("/v1/corrections/batch", {
  params: { query: { detail: "moves" } },
  headers: { "Content-Type": "application/octet-stream" },
  body: sent.map((line) => JSON.stringify(line) + "\n").join(""),
  bodySerializer: (lines) => lines,
  parseAs: "text",
});
if (batch.error) throw new Error(batch.error.detail);
const lines: Line[] = batch.data.trimEnd().split("\n").map((line) => JSON.parse(line));

const pointers = (refused.error.errors ?? []).map((fault) => fault.pointer);
console.log(JSON.stringify({ total, expanded, travels, status: refused.error.status, pointers, lines }));
