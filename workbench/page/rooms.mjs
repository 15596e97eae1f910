// Checks how the modules of src import each other: rooms only as rooms.json allows, and no cycle, not of types either.
import { readdirSync, readFileSync } from "node:fs";
import { dirname, join, relative } from "node:path";

/** Most modules that a room may hold: more are no longer held in mind. */
const MOST_MODULES = 12;

/** Imports and re-exports of modules by a relative path, with `import type` and bare imports among them. */
const IMPORTS = /^(?:import|export)\b[^;"']*?["'](\.[^"']+)["']|\bimport\(\s*["'](\.[^"']+)["']\s*\)/gm;

const sourcesIn = (folder) =>
  readdirSync(folder, { recursive: true, encoding: "utf8" })
    .filter((name) => name.endsWith(".ts") && !name.endsWith(".d.ts"))
    .map((name) => name.replaceAll("\\", "/"))
    .sort();

/** Module -> modules that it imports, by their paths in the folder without the ending. */
export function importsOf(folder) {
  const graph = new Map();
  for (const name of sourcesIn(folder)) {
    const source = readFileSync(join(folder, name), "utf8");
    const found = [...source.matchAll(IMPORTS)].map((match) => match[1] ?? match[2]);
    const modules = found.filter((path) => !path.endsWith(".css"));
    const targets = modules.map((path) => relative(folder, join(folder, dirname(name), path)).replaceAll("\\", "/"));
    graph.set(name.slice(0, -3), [...new Set(targets)]);
  }
  return graph;
}

const roomOf = (module) => (module.includes("/") ? module.split("/")[0] : "");

/** What is wrong with the imports, one sentence each. */
export function roomFaults(graph, rooms) {
  return [...unknownRooms(graph, rooms), ...crowdedRooms(graph), ...forbiddenImports(graph, rooms), ...cyclesIn(graph)];
}

function unknownRooms(graph, rooms) {
  const found = new Set([...graph.keys()].map(roomOf).filter((room) => room !== ""));
  const strangers = [...found].filter((room) => !(room in rooms)).map((room) => `${room} is no room of rooms.json`);
  const empty = Object.keys(rooms).filter((room) => room !== "//" && !found.has(room));
  return [...strangers, ...empty.map((room) => `rooms.json names ${room}, which has no modules`)];
}

function crowdedRooms(graph) {
  const counts = new Map();
  for (const room of [...graph.keys()].map(roomOf)) counts.set(room, (counts.get(room) ?? 0) + 1);
  return [...counts]
    .filter(([room, count]) => room !== "" && count > MOST_MODULES)
    .map(([room, count]) => `${room} holds ${count} modules, more than ${MOST_MODULES}`);
}

function forbiddenImports(graph, rooms) {
  const faults = [];
  for (const [module, targets] of graph) {
    const room = roomOf(module);
    for (const target of targets) {
      const to = roomOf(target);
      if (!graph.has(target)) faults.push(`${module} imports ${target}, which is not there`);
      else if (room !== "" && to !== room && !(rooms[room] ?? []).includes(to))
        faults.push(`${module} may not import ${target}`);
    }
  }
  return faults;
}

/** Cycles of modules, each once; and of rooms, should the table itself allow one. */
function cyclesIn(graph) {
  const between = new Map();
  for (const [module, targets] of graph) {
    const room = roomOf(module);
    if (!between.has(room)) between.set(room, new Set());
    for (const target of targets) if (roomOf(target) !== room) between.get(room).add(roomOf(target));
  }
  const rooms = new Map([...between].map(([room, targets]) => [room, [...targets]]));
  return [
    ...cyclesOf(graph).map((cycle) => `modules import each other: ${cycle.join(" -> ")}`),
    ...cyclesOf(rooms).map((cycle) => `rooms import each other: ${cycle.join(" -> ")}`),
  ];
}

function cyclesOf(graph) {
  const [done, cycles] = [new Set(), []];
  const visit = (node, path) => {
    const at = path.indexOf(node);
    if (at >= 0) return cycles.push([...path.slice(at), node]);
    if (done.has(node)) return undefined;
    for (const next of graph.get(node) ?? []) visit(next, [...path, node]);
    done.add(node);
    return undefined;
  };
  for (const node of graph.keys()) visit(node, []);
  return cycles;
}

/** The faults of the page's own sources. */
export function pageFaults(page) {
  return roomFaults(importsOf(join(page, "src")), JSON.parse(readFileSync(join(page, "rooms.json"), "utf8")));
}
