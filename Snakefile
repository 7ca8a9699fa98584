# pegmark: from a folder of takes to sheets, dashboard, gradebook and drafts.
#
# input:  the class folder (config: class_dir) with roster.csv and submissions/
# output: its results/ folder; the engine's own state stands in the class folder too
#
#   snakemake --workflow-profile workflow/profiles/default --config class_dir=CLASS_DIR


configfile: f"{workflow.basedir}/config/config.yaml"


include: "workflow/rules/common.smk"
include: "workflow/rules/takes.smk"
include: "workflow/rules/students.smk"
include: "workflow/rules/class.smk"


rule all:
    input:
        "results/seal.json",
