// What another tilt, skin entry or instrument would cost: three charts beside each other, on which the plan is moved.

import type { Part } from "./desk";

export const charts: Part = () => undefined;
