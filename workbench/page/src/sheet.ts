import type { Part } from "./desk";

export const sheet: Part = () => undefined;
