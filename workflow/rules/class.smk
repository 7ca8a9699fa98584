# The class as a whole: the second opinion, the pages, and the delivery.
#
# input:  results/measured, results/work/{records,sheets,faults}, results/tickets
# output: results/work: recheck.json, dashboard.html, gradebook.csv, attention.csv, outbox/, ...
#         results: the same, delivered only when all of it is made; seal.json when nothing failed


rule recheck:
    input:
        code=ticket("code/recheck.json"),
        measured=expand("results/measured/{take}.json", take=TAKES),
        audio=ancient(expand("results/decoded/{take}.npy", take=TAKES)),
    output:
        opinion="results/work/recheck.json",
    log:
        "results/logs/recheck.log",
    shell:
        "stage recheck --measured results/measured --decoded results/decoded"
        " --memory results/tickets/recheck.json --code {input.code:q} --out {output.opinion:q}"
        " --class-ticket results/tickets/class.json > {log:q} 2>&1"


rule publish:
    input:
        code=ticket("code/publish.json"),
        ticket=ticket("publish.json"),
        opinion="results/work/recheck.json",
        records=expand("results/work/records/{student}.json", student=STUDENTS),
        sheets=expand("results/work/sheets/{student}.pdf", student=STUDENTS),
        faults=expand("results/work/faults/{student}.json", student=STUDENTS),
        mail=[ticket(f"render/{one}.json") for one in STUDENTS],
    output:
        dashboard="results/work/dashboard.html",
        gradebook="results/work/gradebook.csv",
        attention="results/work/attention.csv",
        outbox=directory("results/work/outbox"),
    log:
        "results/logs/publish.log",
    shell:
        "stage publish --ticket {input.ticket:q} --records results/work/records"
        " --sheets results/work/sheets --faults results/work/faults --mail results/tickets/render"
        " --recheck {input.opinion:q} --out results/work > {log:q} 2>&1"


localrules:
    deliver,


rule deliver:
    input:
        code=ticket("code/deliver.json"),
        dashboard=ancient("results/work/dashboard.html"),
        gradebook="results/work/gradebook.csv",
        attention="results/work/attention.csv",
        records=expand("results/work/records/{student}.json", student=STUDENTS),
        sheets=expand("results/work/sheets/{student}.pdf", student=STUDENTS),
    output:
        seal="results/seal.json",
    log:
        "results/logs/deliver.log",
    retries: 0  # it fails on purpose where a stage had a fault
    shell:
        "stage deliver --work results/work --results results --seal {output.seal:q}"
        " > {log:q} 2>&1"
