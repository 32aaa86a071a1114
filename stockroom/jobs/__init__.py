"""The one queue: photographs, matching, plans, re-grades, exports, and whatever else takes longer than a page may.

`kinds` says what jobs there are and puts them in the queue, `worker` does them, `views` shows them.

Why not a library. Django's task framework in its back-port with the database backend (django-tasks 0.12.0,
django-tasks-db 0.13.0) was tried first, on SQLite: after SIGKILL its job stayed RUNNING for good, for only READY rows
are ever taken up; a row has no progress, no request to stop, no count of attempts and no point to go on from, and a
second signal marks the job FAILED as if it had been at fault. What is missing is most of what this shop needs of
a queue, and would have to be kept in a second table beside the library's; so it is one table here.

A job is taken by one conditional UPDATE, which is atomic on SQLite and PostgreSQL alike. While somebody works on it a
second thread writes its progress and a sign of life; a job without one for `worker.LOST_AFTER` is taken up again by
whoever comes next. Every write of a job goes past `Job.claim`, so that a worker which lost its job to another can
change nothing any more. Jobs do their reckoning outside any transaction and write in short ones, with
`Hand.save` in the same transaction: what a killed worker had committed is not done twice.
"""
