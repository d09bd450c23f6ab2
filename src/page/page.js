// Live values: puts what the daemon says into the section “now”, and says so where it says nothing any more. The page
// is whole without it.
"use strict";
const AGAIN_MS = 10000;
const now = document.getElementById("now");
let heard = new Date();

function notHeard() {
  const since = heard.toLocaleString("en-GB", {
    timeZone: now.dataset.zone, day: "numeric", month: "short", hour: "2-digit", minute: "2-digit",
  });
  const told = document.createElement("p");
  told.className = "wrong";
  told.textContent = `Not heard of the logger since ${since}: how things are is not known.`;
  now.replaceChildren(now.querySelector("h2"), told);
}

function follow() {
  let answered = false;
  const events = new EventSource("/now" + now.dataset.query);
  events.onmessage = (event) => {
    answered = true;
    heard = new Date();
    now.innerHTML = event.data;
  };
  // Also at the end of each stream, which is none of its own making. What was refused, the browser gives up.
  events.onerror = () => {
    if (!answered) notHeard();
    answered = false;
    if (events.readyState === EventSource.CLOSED) setTimeout(follow, AGAIN_MS);
  };
}

follow();
