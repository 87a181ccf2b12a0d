// The song that is on, and what this page may do.
const show = (id, text) => { document.getElementById(id).textContent = text; };

const access = await (await fetch("/v1/access")).json();
show("access", access.may);
const status = await (await fetch("/v1/status")).json();
show("song", status.song?.title ?? status.detail ?? "no song");
