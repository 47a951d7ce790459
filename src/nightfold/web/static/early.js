// Before anything is painted: the red light, if it was on, so that the eyes are not met by the other colours first.
try {
  if (localStorage.getItem("red-light") === "on") document.documentElement.classList.add("night");
} catch {
  // A browser that keeps nothing starts without it.
}
