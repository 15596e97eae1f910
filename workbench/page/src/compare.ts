// Up to four plans held against each other: one table with differences, and the same views of each.

import type { Part } from "./desk";

export const compare: Part = () => undefined;
