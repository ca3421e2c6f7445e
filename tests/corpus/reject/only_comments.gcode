; nothing here
;LAYER:0
