// Single letters as keys can be switched off (they are in the way of speech input).

const box = document.getElementById("keys");
box.checked = localStorage.getItem("keys") !== "off";
box.addEventListener("change", () => localStorage.setItem("keys", box.checked ? "on" : "off"));
