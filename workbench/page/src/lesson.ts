import type { Part } from "./desk";

export const lesson: Part = () => undefined;
