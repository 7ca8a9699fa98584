# On a dry run only: the tickets that a real run would write first, as the output of two jobs that
# are never run, so that the list of jobs behind them is the list of a real run.
#
# The first job makes a file that is never there, so that the second is due though the tickets of
# the run before are there.

if WAITING:

    rule announce:
        output:
            "results/tickets/announced",
        log:
            "results/logs/announce.log",
        shell:
            "false"

    rule receive:
        input:
            "results/tickets/announced",
        output:
            WAITING,
        log:
            "results/logs/receive.log",
        shell:
            "false"
