# One take at a time: its audio, its notes, their strings, their pitches.
#
# input:  results/tickets/{decode,listen}/<take>.json
# output: results/{decoded,notes,strings,measured}/<take>.json
#
# The audio itself is not compared by time (its facts are, which are written with it): files over
# a megabyte have no checksum, and a copied folder would be measured again.


rule decode:
    input:
        code=ticket("code/decode.json"),
        ticket=ticket("decode/{take}.json"),
    output:
        audio="results/decoded/{take}.npy",
        facts="results/decoded/{take}.json",
    log:
        "results/logs/decode/{take}.log",
    shell:
        "stage decode --ticket {input.ticket:q} --audio {output.audio:q} --facts {output.facts:q}"
        " > {log:q} 2>&1"


rule segment:
    input:
        code=ticket("code/segment.json"),
        ticket=ticket("listen/{take}.json"),
        facts="results/decoded/{take}.json",
        audio=ancient("results/decoded/{take}.npy"),
    output:
        notes="results/notes/{take}.json",
    log:
        "results/logs/segment/{take}.log",
    shell:
        "stage segment --ticket {input.ticket:q} --audio {input.audio:q} --facts {input.facts:q}"
        " --notes {output.notes:q} > {log:q} 2>&1"


rule identify:
    input:
        code=ticket("code/identify.json"),
        ticket=ticket("listen/{take}.json"),
        notes="results/notes/{take}.json",
    output:
        strings="results/strings/{take}.json",
    log:
        "results/logs/identify/{take}.log",
    shell:
        "stage identify --ticket {input.ticket:q} --notes {input.notes:q}"
        " --strings {output.strings:q} > {log:q} 2>&1"


rule measure:
    input:
        code=ticket("code/measure.json"),
        ticket=ticket("listen/{take}.json"),
        strings="results/strings/{take}.json",
        audio=ancient("results/decoded/{take}.npy"),
    output:
        measured="results/measured/{take}.json",
    log:
        "results/logs/measure/{take}.log",
    shell:
        "stage measure --ticket {input.ticket:q} --strings {input.strings:q}"
        " --audio {input.audio:q} --measured {output.measured:q} > {log:q} 2>&1"
