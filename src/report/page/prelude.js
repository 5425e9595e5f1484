// Canvases get at least two points a pixel, so that a printed page is sharp.
if (window.devicePixelRatio < 2) Object.defineProperty(window, "devicePixelRatio", { value: 2, configurable: true });
