# One student at a time: the score and the record, then the sheet and the listening copies.
#
# input:  results/tickets/{score,render}/<student>.json, results/measured/<take>.json
# output: results/{scores,records}/<student>.json, results/sheets/<student>.pdf, results/clips/<student>/


def of_takes(pattern):
    return lambda wildcards: expand(pattern, take=STUDENTS[wildcards.student]["takes"])


rule score:
    input:
        ticket="results/tickets/score/{student}.json",
        measured=of_takes("results/measured/{take}.json"),
        facts=of_takes("results/decoded/{take}.json"),
    output:
        score="results/scores/{student}.json",
        record="results/records/{student}.json",
    log:
        "results/logs/score/{student}.log",
    params:
        code=code_of("score.py"),
    shell:
        "{PYTHON} {HERE}/score.py --ticket {input.ticket:q} --measured {input.measured:q}"
        " --facts {input.facts:q} --record {output.record:q} --score {output.score:q}"
        " > {log:q} 2>&1"


rule render:
    input:
        ticket="results/tickets/render/{student}.json",
        record="results/records/{student}.json",
        facts=of_takes("results/decoded/{take}.json"),
        audio=ancient(of_takes("results/decoded/{take}.npy")),
    output:
        sheet="results/sheets/{student}.pdf",
        clips=directory("results/clips/{student}"),
    log:
        "results/logs/render/{student}.log",
    params:
        code=code_of("render.py"),
    shell:
        "{PYTHON} {HERE}/render.py --ticket {input.ticket:q} --record {input.record:q}"
        " --audio {input.audio:q} --sheet {output.sheet:q} --clips {output.clips:q}"
        " > {log:q} 2>&1"
