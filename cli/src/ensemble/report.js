// One sound at a time, and a button that goes on from the same place in the other.
"use strict";
const players = Array.from(document.querySelectorAll("audio"));
for (const player of players) {
  player.addEventListener("play", () => {
    for (const other of players) if (other !== player) other.pause();
    for (const one of document.querySelectorAll(".one")) one.toggleAttribute("data-heard", one.contains(player));
  });
}
for (const pair of document.querySelectorAll(".pair")) {
  const [dry, placed] = pair.querySelectorAll("audio");
  const button = document.createElement("button");
  button.type = "button";
  const name = () => { button.textContent = placed.paused ? "Hear it placed" : "Hear it dry"; };
  button.addEventListener("click", () => {
    const [from, to] = placed.paused ? [dry, placed] : [placed, dry];
    const at = from.paused && from.currentTime === 0 ? to.currentTime : from.currentTime;
    to.volume = from.volume;
    to.currentTime = from.ended ? 0 : at;
    to.play();
  });
  for (const player of [dry, placed]) for (const what of ["play", "pause", "ended"]) player.addEventListener(what, name);
  name();
  pair.append(button);
}
