/* Clocks of gear in the water, kept going. */
import { since } from "../assets/standing.js";

function tick() {
  document.querySelectorAll("[data-since]").forEach((clock) => {
    clock.textContent = "set " + since(clock.dataset.since) + " ago";
  });
}

document.querySelectorAll("time[data-local]").forEach((time) => {
  time.textContent = new Date(time.dateTime).toLocaleString([], {
    dateStyle: "medium",
    timeStyle: "short",
  });
});
tick();
setInterval(tick, 30000);
