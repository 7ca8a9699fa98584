// What is played while marking: it starts at the moment that matters, and the sound of the next
// students is loaded while this one is heard.

const AHEAD = 2; // items whose sound is loaded before it is their turn
const loaded = new Map(); // address -> its player, kept while it is near

// What an item plays: {address, spans: [[start, end], ...] or null for all of it}, or null.
function mediaOf(item) {
  if (item.file) return item.file.video && { address: item.file.video, spans: null };
  const { media } = studentOf(item.student).marking;
  const { question } = item;
  if (question) {
    if (question.clip) return { address: question.clip, spans: null };
    const at = question.at_s;
    return media.video && { address: media.video, spans: at === null ? null : [[Math.max(0, at - 1), at + 9]] };
  }
  if (kindOf.get(item.criterion).shows === "before_and_after") {
    if (media.video && media.looks.length) return { address: media.video, spans: media.looks };
    return media.video && { address: media.video, spans: null };
  }
  if (media.speech) return { address: media.speech, spans: null };
  return media.video && { address: media.video, spans: null };
}

function playerOf({ address, spans }) {
  let player = loaded.get(address);
  if (!player) {
    player = document.createElement(/\.mp3$/i.test(address) && address.startsWith("clips/") ? "audio" : "video");
    player.controls = true;
    player.preload = "auto";
    player.setAttribute("aria-label", "The recording");
    player.playsInline = true;
    player.src = address;
    loaded.set(address, player);
  }
  player.spans = spans;
  if (spans && Math.abs(player.currentTime - spans[0][0]) > 0.05) player.currentTime = spans[0][0];
  return player;
}

function loadAhead() {
  const near = [flow.at, ...Array.from({ length: AHEAD }, (_, i) => flow.at + 1 + i)];
  const wanted = near.map((place) => flow.items[place]).filter(Boolean).map(mediaOf).filter(Boolean);
  const addresses = new Set(wanted.map((one) => one.address));
  for (const [address, player] of loaded) {
    if (addresses.has(address)) continue;
    player.removeAttribute("src");
    loaded.delete(address);
  }
  wanted.slice(1).forEach(playerOf);
  near.slice(1).forEach((place) => flow.items[place] && loadStills(flow.items[place]));
}

// The small pictures of an item, decoded before it is their turn; a video without any has none.
function loadStills(item) {
  for (const address of stillsOf(item)) {
    const picture = new Image();
    picture.src = address;
    picture.decode().catch(() => {});
  }
}

function stillsOf(item) {
  const looks = item.criterion && !item.question && kindOf.get(item.criterion).shows === "before_and_after";
  return looks ? studentOf(item.student).marking.media.stills : [];
}

// The first of each way of marking, while the page is still being read.
function loadFirst() {
  for (const items of [unmatched(), itemsToHear(), itemsToMark("")]) {
    const media = items.length && mediaOf(items[0]);
    if (media) playerOf(media);
  }
}

function playItem(item) {
  stopPlaying();
  const media = mediaOf(item);
  const stills = stillsOf(item);
  const file = item.file ? item.file.shown : studentOf(item.student).marking.media.file;
  byId("flow-stills").replaceChildren(...stills.map(still));
  byId("flow-no-media").hidden = Boolean(media);
  byId("flow-no-media").textContent = `There is nothing to play beside this page: ${file || "no recording"}.`;
  if (!media) {
    byId("flow-player").replaceChildren();
    return;
  }
  const player = playerOf(media);
  byId("flow-player").replaceChildren(player);
  player.span = 0;
  player.currentTime = media.spans ? media.spans[0][0] : 0;
  player.ontimeupdate = () => nextSpan(player);
  if (stills.length) return; // the pictures are enough; Space plays the video
  start(player);
}

function still(address, place) {
  const picture = document.createElement("img");
  picture.src = address;
  picture.alt = `Picture ${place + 1} from the video`;
  picture.addEventListener("error", () => {
    picture.remove();
    const player = document.querySelector("#flow-player video");
    if (player && !document.querySelector("#flow-stills img")) start(player); // none was made
  });
  return picture;
}

function start(player) {
  player.play().catch(() => {});
}

// From the end of a span to the start of the next; after the last it stops.
function nextSpan(player) {
  const span = player.spans && player.spans[player.span];
  if (!span || player.paused || player.currentTime < span[1]) return;
  player.span += 1;
  if (player.spans[player.span]) player.currentTime = player.spans[player.span][0];
  else player.pause();
}

function stopPlaying() {
  for (const player of document.querySelectorAll("#flow-player audio, #flow-player video")) {
    player.ontimeupdate = null;
    player.pause();
  }
}
