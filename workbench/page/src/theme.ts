// Dark as in theatre, or light; none of it changes a number.

import type { Store } from "./store";

export function followTheme(store: Store): void {
  const show = () => {
    document.documentElement.dataset["theme"] = store.state.looks.theme;
  };
  show();
  store.subscribe((_, changed) => {
    if (changed.has("looks")) show();
  });
}
