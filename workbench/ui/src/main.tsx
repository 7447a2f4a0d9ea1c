import { render } from "preact";
import { App } from "./app";

history.replaceState(null, "", location.pathname + location.hash); // the key leaves the address
const place = document.getElementById("bench");
if (place) {
  place.textContent = "";
  render(<App />, place);
}
