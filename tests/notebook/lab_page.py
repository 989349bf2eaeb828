"""A JupyterLab on loopback and a headless Chromium, for the tests that use the widgets as a person does."""

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import sync_playwright

SWITCHES = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SETTINGS = {
    "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False, "doNotDisturbMode": True},
    "notebook-extension/tracker": {"windowingMode": "none"},
}
RUN_IN_KERNEL = """async (code) => {
    const kernel = jupyterapp.shell.currentWidget.sessionContext.session.kernel;
    const future = kernel.requestExecute({ code });
    let text = "";
    future.onIOPub = ({ header, content }) => {
        if (header.msg_type === "stream" && content.name === "stdout") text += content.text;
        if (header.msg_type === "error") text += content.traceback.join("\\n");
    };
    await future.done;
    return text;
}"""
IS_IDLE = """() => {
    const context = window.jupyterapp?.shell?.currentWidget?.sessionContext;
    return context?.isReady && context.session?.kernel?.status === "idle";
}"""


@contextmanager
def lab_server(folder: Path):
    """The address (with token) of a JupyterLab that serves `folder`; it is stopped whatever happens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    state = folder.parent / "jupyter-state"
    for name, values in SETTINGS.items():
        path = state / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(values), encoding="utf-8")
    places = {"JUPYTER_CONFIG_DIR": "config", "JUPYTER_RUNTIME_DIR": "runtime", "IPYTHONDIR": "ipython"}
    env = os.environ | {name: str(state / place) for name, place in places.items()}
    env |= {"JUPYTERLAB_SETTINGS_DIR": str(state / "settings"), "JUPYTERLAB_WORKSPACES_DIR": str(state / "spaces")}
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={port}"]
    command += ["--ServerApp.port_retries=0", f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={folder}"]
    command += ["--LabApp.expose_app_in_browser=True", "--LabApp.news_url=None"]
    # Should the tests themselves be killed, it ends by itself.
    command += ["--ServerApp.shutdown_no_activity_timeout=300", "--MappingKernelManager.cull_idle_timeout=300"]
    log = (state / "server.log").open("wb")
    server = subprocess.Popen(command, cwd=folder, env=env, stdout=log, stderr=log)
    try:
        _await_server(f"http://127.0.0.1:{port}/api/status?token={token}", server, state / "server.log")
        yield f"http://127.0.0.1:{port}", token
    finally:
        _stop(server)
        log.close()


@contextmanager
def chromium_page():
    """A page of a headless Chromium that may speak to this machine only; requests elsewhere are listed."""
    with sync_playwright() as playwright:
        path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
        browser = playwright.chromium.launch(executable_path=path, args=list(SWITCHES))
        try:
            page = browser.new_page(viewport={"width": 1500, "height": 1000})
            page.set_default_timeout(90_000)
            page.outside = []
            page.on("request", lambda request: _note_outside(page, request.url))
            yield page
        finally:
            browser.close()


def open_notebook(page, address, name: str, *, n_widgets: int) -> None:
    """Open a notebook, run all its cells, and wait for its widgets."""
    url, token = address
    page.goto(f"{url}/lab/tree/{name}?reset&token={token}")
    page.wait_for_function(IS_IDLE)
    page.evaluate("jupyterapp.commands.execute('notebook:run-all-cells')")
    await_widgets(page, n_widgets)
    page.wait_for_function(IS_IDLE)


def await_widgets(page, n_widgets: int) -> None:
    """Wait until so many widgets show their photograph."""
    page.wait_for_function(f"document.querySelectorAll('.fk-canvas[data-view]').length === {n_widgets}")


def in_kernel(page, code: str) -> str:
    """What `code` prints in the kernel; whatever the widgets sent before it has been dealt with by then."""
    return page.evaluate(RUN_IN_KERNEL, code)


def view_of(canvas) -> tuple[float, float, float]:
    """Scale, left and top of the photograph on a canvas, in CSS pixels, once all that was asked is painted."""
    canvas.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    scale, left, top = (float(value) for value in canvas.get_attribute("data-view").split())
    return scale, left, top


def cursor_of(canvas) -> tuple[float, float]:
    """The photograph pixel under the cross."""
    view_of(canvas)
    x, y = (float(value) for value in canvas.get_attribute("data-cursor").split())
    return x, y


def to_page(canvas, x: float, y: float) -> tuple[float, float]:
    """Where on the page a photograph pixel lies: its centre is half a pixel from its corner."""
    scale, left, top = view_of(canvas)
    box = canvas.bounding_box()
    return box["x"] + left + (x + 0.5) * scale, box["y"] + top + (y + 0.5) * scale


def _await_server(url: str, server: subprocess.Popen, log: Path) -> None:
    for _ in range(240):
        if server.poll() is not None:
            break
        try:
            with urllib.request.urlopen(url, timeout=5):
                return
        except OSError:
            time.sleep(0.5)
    raise RuntimeError(f"JupyterLab did not start:\n{log.read_text(errors='replace')[-3000:]}")


def _stop(server: subprocess.Popen) -> None:
    """End the server, which ends its kernels; a kernel whose server is gone ends by itself."""
    if server.poll() is None:
        server.terminate()
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait(10)


def _note_outside(page, url: str) -> None:
    if url.startswith(("http", "ws")) and "://127.0.0.1" not in url:
        page.outside.append(url)
