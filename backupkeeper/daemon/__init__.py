"""The daemon: the loop, its workers, the watcher, the timetable, telling, the service."""
