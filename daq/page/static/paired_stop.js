// Every screen of a paired browser that is not that of its bench: the stop and the alarm of the bench, live.

import { part, wordsOf } from "./figures.js";
import { BenchStop } from "./stop.js";
import { Stream } from "./stream.js";

const place = document.querySelector("[data-paired]");
const words = wordsOf(place);
const own = new BenchStop(place.dataset.paired, place, () => words, JSON.parse(place.dataset.live));

document.addEventListener("submit", (event) => {
  if (event.target.dataset.form !== "paired-stop") return;
  event.preventDefault();
  own.stop();
});
own.show();
new Stream(`/api/v1/benches/${encodeURIComponent(own.bench)}/events`, (event, data) => {
  own.take(event, data);
  own.show();
}, (_, lost) => { part(place, "lost").hidden = !lost; });
