/* Popups of a map; what is in one tells by `rb-changed` that it has another size. */
import { make } from "./elements.js";
import { unlessNoAnswer } from "./fetching.js";

/** Popup at a place; `content` is what it shows, or a promise of it. */
export function openPopup(map, at, content, byKey) {
  const box = make("div", null, "rb-cards");
  box.tabIndex = -1;
  const popup = L.popup({
    maxWidth: Math.min(340, map.getSize().x - 60),
    minWidth: 230,
    maxHeight: Math.min(360, map.getSize().y - 160),
    offset: [0, -4],
    autoPanPaddingTopLeft: [10, 60],
  })
    .setLatLng(at)
    .setContent(box);
  if (content instanceof Promise) box.textContent = "Fetching …";
  const focused = document.activeElement;
  const fill = (content) => {
    box.replaceChildren(content);
    popup.update();
    if (byKey) box.focus();
  };
  box.addEventListener("rb-changed", () => {
    popup.update(); // which takes the focus from what is in it
    box.focus();
  });
  popup.openOn(map);
  if (byKey) map.once("popupclose", () => focused && focused.isConnected && focused.focus());
  Promise.resolve(content).then(
    fill,
    unlessNoAnswer((trouble) =>
      fill(make("p", "This could not be fetched. " + trouble.message + ".")),
    ),
  );
}
