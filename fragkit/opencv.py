"""The one import of OpenCV; on a system without its libraries it says what to install."""

try:
    import cv2
except ImportError as error:  # the wheel is there, a system library is not
    if "lib" not in str(error):
        raise
    raise ImportError(
        f"OpenCV cannot start ({error}). On Debian or Ubuntu run: "
        "sudo apt-get install -y --no-install-recommends libgl1 libglib2.0-0"
    ) from error

__all__ = ["cv2"]
