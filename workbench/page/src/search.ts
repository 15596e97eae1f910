// A search for better plans, with progress and stop; what it finds is looked at one by one.

import type { Part } from "./desk";

export const search: Part = () => undefined;
