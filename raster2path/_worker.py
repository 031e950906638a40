"""What a worker process does before its first picture; imports nothing, so that it comes first."""


def settle() -> None:
    """One thread a worker, as the workers share the processors; Ctrl-C is the parent's matter."""
    import os
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    import cv2

    cv2.setNumThreads(1)
