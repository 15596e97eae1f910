// Dark or light colours, as a mark on the document that the style sheets follow.

import type { Store } from "../model/store";

export function followTheme(store: Store): void {
  const show = () => {
    document.documentElement.dataset["theme"] = store.state.looks.theme;
  };
  show();
  store.subscribe((_, changed) => {
    if (changed.has("looks")) show();
  });
}
