// Listening

function players() {
  return [...document.querySelectorAll(".opened audio, .opened video")];
}

const clipOf = (name) => document.querySelector(`.opened [data-clip="${name}"]`);

function playOrStop(player) {
  if (!player) return;
  if (player.paused) {
    player.play().catch(() => {});
  } else {
    player.pause();
    player.currentTime = 0;
  }
}

function showVideo() {
  const box = document.querySelector(".opened .video");
  if (!box) return null;
  let video = box.querySelector("video");
  if (!video) {
    video = document.createElement("video");
    video.controls = true;
    video.preload = "metadata";
    video.src = box.dataset.src;
    video.setAttribute("aria-label", "The student's recording");
    box.replaceChildren(video);
  }
  return video;
}

function seek(seconds) {
  const start = Math.max(0, seconds - LEAD_S);
  const link = document.querySelector(".opened .video-link");
  if (link) link.href = link.getAttribute("href").split("#")[0] + "#t=" + start.toFixed(1);
  const video = showVideo();
  if (!video) return;
  const go = () => {
    video.currentTime = start;
    video.play().catch(() => {});
  };
  if (video.readyState >= 1) go();
  else video.addEventListener("loadedmetadata", go, { once: true });
}

document.addEventListener(
  "play",
  (event) => players().forEach((other) => other !== event.target && other.pause()),
  true,
);
document.addEventListener(
  "error",
  (event) => {
    const player = event.target;
    if (!(player instanceof HTMLMediaElement)) return;
    const note = document.createElement("span");
    note.className = "no-media";
    note.textContent = "No clip beside this page.";
    if (player.matches("video")) {
      const link = document.createElement("a");
      link.href = player.src;
      link.target = "_blank";
      link.rel = "noopener";
      link.textContent = "Open it in another program.";
      note.replaceChildren("This browser cannot play the recording. ", link);
    }
    player.replaceWith(note);
  },
  true,
);
