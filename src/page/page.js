// Live values: puts what the daemon says into the section “now”. The page is whole without it.
"use strict";
const now = document.getElementById("now");
new EventSource("/now" + now.dataset.query).onmessage = (event) => {
  now.innerHTML = event.data;
};
