# The class as a whole: the second opinion, the pages, and faults of the program itself.
#
# input:  results/measured, results/records, results/sheets, results/tickets
# output: results/dashboard.html, gradebook.csv, attention.csv, outbox/, oneroster.zip


rule recheck:
    input:
        measured=expand("results/measured/{take}.json", take=TAKES),
        audio=ancient(expand("results/decoded/{take}.npy", take=TAKES)),
    output:
        opinion="results/recheck.json",
    log:
        "results/logs/recheck.log",
    params:
        code=code_of("recheck.py"),
        takes=TAKES,
    shell:
        "{PYTHON} {HERE}/recheck.py --measured results/measured --decoded results/decoded"
        " --memory results/tickets/recheck.json --out {output.opinion:q} --takes {params.takes:q}"
        " > {log:q} 2>&1"


rule publish:
    input:
        ticket="results/tickets/publish.json",
        opinion="results/recheck.json",
        records=expand("results/records/{student}.json", student=STUDENTS),
        sheets=expand("results/sheets/{student}.pdf", student=STUDENTS),
        mail=expand("results/tickets/render/{student}.json", student=STUDENTS),
    output:
        dashboard="results/dashboard.html",
        gradebook="results/gradebook.csv",
        attention="results/attention.csv",
    log:
        "results/logs/publish.log",
    params:
        code=code_of("publish.py"),
    shell:
        "{PYTHON} {HERE}/publish.py --ticket {input.ticket:q} --records results/records"
        " --sheets results/sheets --mail results/tickets/render --recheck {input.opinion:q}"
        " --out results > {log:q} 2>&1"


rule confirm:
    input:
        dashboard="results/dashboard.html",
        records=expand("results/records/{student}.json", student=STUDENTS),
    output:
        faults="results/logs/faults.txt",
    log:
        "results/logs/confirm.log",
    shell:
        "! grep -l program_fault {input.records:q} > {log:q} && date -u -r {input.dashboard:q} > {output.faults:q}"
