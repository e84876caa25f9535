import { get } from "./api.js";
import { say } from "./messages.js";
import { PlanView } from "./plan_view.js";
import { machines } from "./store.js";
import "./units.js";

const view = new PlanView(document.getElementById("plan"), {
  words: { front: say("shared.front"), place: ({ id }) => id },
  moved: () => {},
});
const solver = await get("/v1/solvers/rail-shim");
const { machine } = solver.example;
view.draw({ ...machine, seats: machine.rails.seats });
machines.write("x", machine);
document.documentElement.dataset.ready = "true";
