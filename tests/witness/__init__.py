"""One thread: on a small machine several only wait for each other."""

import cv2

cv2.setNumThreads(1)
